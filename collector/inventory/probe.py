"""What a phone offers to be polled, found by asking each battery source once."""

import re
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, Literal

from collector.adb import Phone
from collector.errors import NoPhonesError, PhoneSilentError
from collector.onphone import LoopSettings
from parsers.errors import NotThisDumpError, ParserError, SourceRefusedError
from parsers.outcome import Parsed
from parsers.sources import battery_property, battery_service, power_supply
from parsers.text import decode, printable

DEADLINE_S = 8.0
"""For one source; a phone that is slow with one is still asked for the others."""
SUPPLIES_COMMAND = "cat /sys/class/power_supply/*/uevent"
PROPERTY_COMMAND = "service call batteryproperties 1 i32 {}"
CURRENT_NOW = 2
_SUPPLY = re.compile(r"[A-Za-z0-9_-]{1,64}")
Age = Literal["live", "refreshed", ""]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing to ask a phone.

    Attributes:
        source: what the answer is called.
        command: what is run.
        parse: reads the answer.
        gives: name of the value, for answers that do not say it themselves.
        age: for battery values: `live`, or `refreshed` by the platform at most once a minute.
    """

    source: str
    command: str
    parse: Callable[[str], Parsed[Any]]
    gives: str = ""
    age: Age = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What came of a question; values stay inside, names and figures of the user's included.

    Attributes:
        question: what was asked.
        row: what was read; None if the phone refused.
        gives: names of the values that were there.
        refused: the phone's own words, or what is wrong with its answer; empty if nothing.
        text: the answer as printed.
        complaints: what was printed beside the answer.
    """

    question: Question
    row: Any = None
    gives: tuple[str, ...] = ()
    refused: str = ""
    text: str = ""
    complaints: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What one phone can be polled for.

    Attributes:
        settings: of the on-phone loop that fits.
        sources: which source gives what, for the manifest.
        refused: source and the phone's words, for each that was denied.
        design_mah: capacity by the phone's own nameplate file; None if it gives none.
    """

    settings: LoopSettings
    sources: dict[str, str]
    refused: dict[str, str]
    design_mah: float | None


BATTERY = Question(
    source="dumpsys battery",
    command="dumpsys battery",
    parse=battery_service.parse,
    age="refreshed",
)
SUPPLIES = Question(
    source="power_supply", command=SUPPLIES_COMMAND, parse=power_supply.parse, age="live"
)
CURRENT = Question(
    source="batteryproperties",
    command=PROPERTY_COMMAND.format(CURRENT_NOW),
    parse=battery_property.parse,
    gives="current_raw",
    age="live",
)


def look(phone: Phone, question: Question, deadline_s: float = DEADLINE_S) -> Look:
    """Asks once.

    Raises:
        CollectorError: if the link breaks meanwhile; a phone that only does not answer in time
            has refused.
    """
    try:
        reply = phone.ask(question.command, deadline_s)
    except PhoneSilentError:
        return Look(question=question, refused=f"no answer within {deadline_s:g} s")
    # The reply is whole, whether or not the phone ended its last line.
    text = decode(reply.stdout if reply.stdout.strip() else reply.stderr) + "\n"
    complaints = decode(reply.stderr)
    try:
        rows = question.parse(text).rows
    except ParserError as exc:
        return Look(question=question, refused=_why(exc), complaints=complaints)
    gives = _gives(rows, question.gives)
    return Look(
        question=question,
        row=rows[0] if rows else None,
        gives=gives,
        refused="" if gives else "the phone has no value",
        text=text,
        complaints=complaints,
    )


def _why(exc: ParserError) -> str:
    match exc:
        case SourceRefusedError():
            return printable(exc.answer)
        case NotThisDumpError():
            return f"not the usual answer: {exc.reason}"
        case _:
            return printable(str(exc))


def _gives(rows: tuple[Any, ...], name: str) -> tuple[str, ...]:
    if name:
        return (name,) if rows and rows[0].value is not None else ()
    names = (f.name for row in rows for f in fields(row) if getattr(row, f.name) is not None)
    return tuple(dict.fromkeys(names))


def probe(phone: Phone, tick_ms: int = 1000) -> Offer:
    """Asks each battery source once and picks the best for the loop.

    Raises:
        NoPhonesError: if not even the platform's battery dump can be read.
        CollectorError: if the link breaks meanwhile.
    """
    return pick(look(phone, BATTERY), look(phone, SUPPLIES), lambda: look(phone, CURRENT), tick_ms)


def pick(
    battery: Look, supplies: Look, ask_current: Callable[[], Look], tick_ms: int = 1000
) -> Offer:
    """The best sources for the loop.

    Args:
        battery: what came of `BATTERY`.
        supplies: what came of `SUPPLIES`.
        ask_current: gives what came of `CURRENT`; called only if the supplies will not do.
        tick_ms: time between two readings.

    Raises:
        NoPhonesError: if not even the platform's battery dump can be read.
    """
    if battery.row is None:
        raise NoPhonesError(f"a phone gives no battery state: {battery.refused}")
    supply, refused = _supply(supplies)
    if supply is not None:
        settings = LoopSettings(fast="uevent", supply=supply, tick_ms=tick_ms)
        sources = dict.fromkeys(("voltage", "current", "charge_counter"), f"power_supply/{supply}")
    elif not (current := ask_current()).refused:
        settings = LoopSettings(fast="property", tick_ms=tick_ms)
        sources = dict.fromkeys(("current", "charge_counter"), CURRENT.source)
        sources["voltage"] = BATTERY.source
    else:
        refused[CURRENT.source] = current.refused
        # Nothing changes faster than the platform's own dump, so nothing is asked for faster.
        settings = LoopSettings(fast="none", tick_ms=max(tick_ms, 10_000))
        sources = {"voltage": BATTERY.source}
    sources |= {"level": BATTERY.source, "temperature": BATTERY.source}
    design_mah = supplies.row.charge_full_design_mah if supplies.row is not None else None
    return Offer(settings=settings, sources=sources, refused=refused, design_mah=design_mah)


def _supply(supplies: Look) -> tuple[str | None, dict[str, str]]:
    row = supplies.row
    if row is None:
        return None, {SUPPLIES.source: supplies.refused}
    if (
        row.current_raw is None
        or row.voltage_mv is None
        or _SUPPLY.fullmatch(row.name or "") is None
    ):
        return None, {SUPPLIES.source: "no supply with both voltage and current"}
    return row.name, {}
