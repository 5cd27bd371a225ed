"""The pieces an item of a fairness check is made of: each phone as it must be, or all alike."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from collector.fairness.facts import Facts
from collector.fairness.knobs import Knob, same_value
from collector.planning.plan import Plan, Required
from parsers.checks import Finding, Outcome

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What only a person can tell.

    Attributes:
        ambient_c: the room, by a thermometer beside the phones.
        luminance_cd_m2: of the same white patch, by phone, with a meter.
    """

    ambient_c: float | None = None
    luminance_cd_m2: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What a check looks at.

    Attributes:
        facts: by label.
        plan: None without one.
    """

    facts: Mapping[str, Facts]
    plan: Plan | None
    given: Given

    def each(self, look: Callable[[Facts], Value | None]) -> dict[str, Value | None]:
        """One value by label."""
        return {label: look(facts) for label, facts in self.facts.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A finding, and what adb could set to put it right.

    Attributes:
        sets: label, setting and value.
        unfreezes: labels of phones whose simulated battery state can be ended.
    """

    finding: Finding
    sets: tuple[tuple[str, Knob, str], ...] = ()
    unfreezes: tuple[str, ...] = ()


def required(bench: Bench) -> Required:
    """What the plan requires, or what is required without one."""
    return bench.plan.require if bench.plan else Required()


def good(item: str, found: Mapping[str, str]) -> Item:
    """As it must be."""
    return Item(finding=Finding(item=item, outcome="good", found=dict(found)))


def told(item: str, outcome: Outcome, found: Mapping[str, str], why: str, fix: str = "") -> Item:
    """Not good, or not to be known."""
    return Item(finding=Finding(item=item, outcome=outcome, found=dict(found), why=why, fix=fix))


def must_be(
    item: str,
    values: Mapping[str, Value | None],
    is_right: Callable[[Value], bool],
    shown: Callable[[Value], str],
    *,
    why: str,
    fix: str,
) -> Item:
    """Each phone on its own must be right; one that does not tell is left to a person."""
    found = {label: shown(value) for label, value in values.items() if value is not None}
    wrong = [label for label, value in values.items() if value is not None and not is_right(value)]
    if wrong:
        return told(item, "wrong", found, f"{_names(wrong)}: {why}", fix)
    if silent := [label for label, value in values.items() if value is None]:
        return told(item, "ask", found, f"no word from {_names(silent)}: look yourself", fix)
    return good(item, found)


def must_be_alike(
    item: str,
    values: Mapping[str, float | None],
    tolerance: float,
    shown: Callable[[float], str],
    *,
    why: str,
    fix: str,
) -> Item:
    """All phones must be within the tolerance of each other."""
    known = {label: value for label, value in values.items() if value is not None}
    found = {label: shown(value) for label, value in known.items()}
    if known and max(known.values()) - min(known.values()) > tolerance:
        return told(item, "wrong", found, why, fix)
    if silent := [label for label in values if label not in known]:
        return told(item, "ask", found, f"no word from {_names(silent)}: compare yourself", fix)
    return good(item, found)


def words_alike(item: str, values: Mapping[str, str | None], *, why: str, fix: str) -> Item:
    """All phones must say the same."""
    found = {label: value for label, value in values.items() if value is not None}
    if len(set(found.values())) > 1:
        return told(item, "wrong", found, why, fix)
    if silent := [label for label in values if label not in found]:
        return told(item, "ask", found, f"no word from {_names(silent)}: compare yourself", fix)
    return good(item, found)


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingItem:
    """A setting that must be as the plan says, or alike.

    Attributes:
        wanted: the value a plan asks for; None if it only must be alike.
        unset: what the platform takes for a setting that was never made; None if that differs.
        by_hand: how a person sets it where adb should not.
        pick: which of several values all phones are set to; None leaves that to a person.
    """

    knob: Knob
    wanted: Callable[[Plan | None], str | None]
    unset: str | None = None
    by_hand: str
    pick: Callable[[Iterable[float]], float] | None = None

    @property
    def item(self) -> str:
        """What people call it."""
        return str(self.knob)

    def check(self, bench: Bench) -> Item:
        """How the phones are set."""
        place = (self.knob.namespace, self.knob.name)
        values = {
            label: (facts.settings[place] or self.unset) if place in facts.settings else None
            for label, facts in bench.facts.items()
        }
        wanted = self.wanted(bench.plan)
        found = {
            label: self.knob.word(value) for label, value in values.items() if value is not None
        }
        silent = [label for label in values if label not in found]
        target = wanted if wanted is not None else self._common(values)
        off = [
            label for label, value in values.items() if target and not same_value(value, target)
        ]
        sets = tuple((label, self.knob, target) for label in off if target)
        if wanted is not None and set(off) - set(silent):
            why = f"{_names(off)}: must be {self.knob.word(wanted)}"
            return Item(finding=self._finding("wrong", found, why), sets=sets)
        if wanted is None and len({float(v) for v in values.values() if v is not None}) > 1:
            return Item(
                finding=self._finding("wrong", found, "not the same on all phones"), sets=sets
            )
        if silent:
            why = f"{_names(silent)}: its own default, which adb cannot see"
            return Item(finding=self._finding("ask", found, why), sets=sets)
        return good(self.item, found)

    def _common(self, values: Mapping[str, str | None]) -> str | None:
        known = [float(value) for value in values.values() if value is not None]
        return None if self.pick is None or not known else f"{self.pick(known):g}"

    def _finding(self, outcome: Outcome, found: dict[str, str], why: str) -> Finding:
        return Finding(item=self.item, outcome=outcome, found=found, why=why, fix=self.by_hand)


def _names(labels: Iterable[str]) -> str:
    return ", ".join(labels)
