"""Attached phones as a user wants to see them: usable or not, what they report, what to fix."""

import json
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field

from rich.console import Console
from rich.markup import escape
from rich.padding import Padding
from rich.table import Table

from collector.adb import AdbServer
from collector.clock import Clock, SystemClock
from collector.errors import CollectorError
from collector.inventory.survey import WATCH_S, CurrentSeen, Survey, survey
from collector.names import short_names
from collector.recording.identity import ASK_DEADLINE_S, identify
from collector.recording.link import advice_for
from parsers.text import decode, printable

MOST_AT_ONCE = 16
_MOST_NAMES = 6
_TOLD_FIRST = ("current_raw", "voltage_mv", "charge_counter_raw", "level_pct", "temperature_c")
_REFUSING = re.compile(r"(?:cat|/system/bin/sh): [^ ]{1,100}: ")
"""Which tool could not open which file: the source's name says as much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One source of a phone.

    Attributes:
        source: what it is called.
        command: what was run.
        age: of battery values: `live`, or `refreshed` by the platform at most once a minute.
        gives: names of the values it has.
        refused: the phone's own words, where it has none.
    """

    source: str
    command: str
    age: str
    gives: tuple[str, ...]
    refused: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One attached phone.

    Attributes:
        serial: enough of the link's name to tell it from the others; an address in full.
        state: the server's word for the link.
        model: as the phone says, printable; empty if it could not be asked.
        sources: what would be polled for what.
        refused: source and reason, for each that would have been better and is denied.
        asked: every source, in the order of asking.
        supplies: power supplies that can be read.
        hidden_supplies: those that are there and cannot.
        current: how the source of the current behaves; None if there is none.
        advice: what the user could do; empty if nothing is needed.
    """

    serial: str
    state: str
    model: str = ""
    sources: dict[str, str] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    asked: tuple[Asked, ...] = ()
    supplies: tuple[str, ...] = ()
    hidden_supplies: tuple[str, ...] = ()
    current: CurrentSeen | None = None
    advice: tuple[str, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether it can be recorded now."""
        return bool(self.sources)


def inventory(
    server: AdbServer, clock: Clock | None = None, watch_s: float = WATCH_S
) -> list[Found]:
    """Asks every attached phone for everything it could tell, several phones at once.

    Args:
        server: the adb server that lists the phones.
        clock: of this computer if left out.
        watch_s: how long a phone's current is watched at most.

    Raises:
        ServerGoneError: if no adb server answers.
    """
    states = server.states()
    shown = short_names(states)
    time = clock or SystemClock()

    def found(name: str) -> Found:
        state = states[name]
        if state == "device":
            return _asked(server, name, shown[name], time, watch_s)
        advice = (advice_for(state),)
        return Found(serial=shown[name], state=printable(state, 20), advice=advice)

    with ThreadPoolExecutor(max_workers=MOST_AT_ONCE) as pool:
        return list(pool.map(found, states))


def _asked(server: AdbServer, name: str, shown: str, clock: Clock, watch_s: float) -> Found:
    state = "device"
    phone = server.phone(name)
    try:
        model = printable(identify(phone).model, 40)
        told = decode(phone.ask("getprop ro.build.version.sdk", ASK_DEADLINE_S).stdout).strip()
        api_level = int(told) if re.fullmatch("[0-9]{1,3}", told) else None
        seen = survey(phone, clock, api_level, watch_s)
    except CollectorError as exc:
        said = str(exc).replace(printable(name), shown)
        return Found(serial=shown, state=state, advice=(said,))
    return Found(
        serial=shown,
        state=state,
        model=model,
        sources=seen.offer.sources if seen.offer is not None else {},
        refused=seen.offer.refused if seen.offer is not None else {},
        asked=tuple(
            Asked(
                source=each.question.source,
                command=each.question.command,
                age=each.question.age,
                gives=each.gives,
                refused=each.refused,
            )
            for each in seen.looks
        ),
        supplies=seen.supplies,
        hidden_supplies=seen.hidden_supplies,
        current=seen.current,
        advice=tuple(_advice(seen)),
    )


def _advice(seen: Survey) -> list[str]:
    if seen.offer is None:
        return ["it gives no battery state: see whether the phone has started up"]
    advice = []
    if seen.simulated:
        advice.append("its battery values are faked: adb shell dumpsys battery reset")
    if seen.plugged:
        advice.append("unplug it before recording: a phone that charges cannot be measured")
    if "current" not in seen.offer.sources:
        advice.append("percent only: expect wide intervals, and state its --capacity-mah")
    elif seen.current is not None and not seen.current.n_changes:
        advice.append("its current did not change while watched: use the phone, and look again")
    return advice


def print_inventory(found: list[Found], console: Console, *, as_json: bool) -> None:
    """Prints the phones as blocks of text, or as JSON."""
    if as_json:
        phones = [asdict(phone) | {"usable": phone.usable} for phone in found]
        console.file.write(json.dumps({"schema": 1, "phones": phones}, indent=2) + "\n")
        return
    if not found:
        console.print(
            "no phone attached: the cable may carry power only, USB or wireless debugging may be "
            "off, or the port may have changed"
        )
    for phone in found:
        _print_phone(phone, console)


def _print_phone(phone: Found, console: Console) -> None:
    console.print(f"{phone.model or 'phone'}, {phone.serial}: {phone.state}", markup=False)
    facts = Table(box=None, show_header=False, pad_edge=False)
    if phone.sources:
        facts.add_row("polled", escape(_polled(phone.sources)))
    if phone.current is not None:
        facts.add_row("current", escape(_told(phone.current)))
    if phone.hidden_supplies:
        facts.add_row("hidden", escape(", ".join(phone.hidden_supplies)))
    for advice in phone.advice:
        facts.add_row("to do", escape(advice))
    console.print(Padding(facts, (0, 0, 0, 2)))
    answers = Table(box=None, show_header=False, pad_edge=False)
    for each in phone.asked:
        answers.add_row(escape(each.source), _answer(each))
    if phone.asked:
        console.print(Padding(answers, (0, 0, 1, 2)))


def _answer(asked: Asked) -> str:
    if not asked.gives:
        return f"[dim]no: {escape(_REFUSING.sub('', asked.refused))}[/dim]"
    first = [name for name in _TOLD_FIRST if name in asked.gives]
    gives = list(dict.fromkeys([*first, *asked.gives]))
    more = ["…"] if len(gives) > _MOST_NAMES else []
    names = escape(", ".join([*gives[:_MOST_NAMES], *more]))
    return f"{asked.age}: {names}" if asked.age else names


def _polled(sources: dict[str, str]) -> str:
    by_source: dict[str, list[str]] = {}
    for what, source in sources.items():
        by_source.setdefault(source, []).append(what.replace("_", " "))
    return "; ".join(f"{', '.join(whats)} from {source}" for source, whats in by_source.items())


def _told(current: CurrentSeen) -> str:
    if current.every_s is None:
        rate = f"no other number within {current.watched_s:.0f} s"
    else:
        rate = f"live, another number every {current.every_s:.1f} s"
    if current.unit is None and current.sign is None:
        return f"{rate}; unit and sign not to be told yet"
    unit = {"uA": "in µA"}.get(current.unit or "", "unit not to be told yet")
    sign = {1: "positive into the battery", -1: "positive out of the battery"}.get(
        current.sign or 0, "sign not to be told yet"
    )
    return f"{rate}; {unit}, {sign}"
