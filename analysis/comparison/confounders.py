"""What else than the phone may be behind a difference, in sentences beside the verdict."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from analysis.comparison.unequal import Checked, unequal
from analysis.readings.run import Run
from analysis.report import Amount, EnergyReport, PhoneEnergy, SegmentEnergy
from parsers.text import printable

_APART_C = 2.0
_APART_ROOM_C = 1.0
_APART_RATIO = 0.01
_APART_CYCLES = 50.0
_AGED_RATIO = 0.05
"""From where a difference is worth a sentence; choices of this project."""
_SEEN_LATE_S = 60.0
_EARLY_S = 1.0
"""Settings are looked at now and then: a change made at a border is seen after it, and the clocks
of phone and computer may put it just before."""

_SETTINGS = (
    "battery_saver",
    "brightness",
    "brightness_mode",
    "refresh_hz",
    "network",
    "thermal_status",
)
_AGE = ("cycle_count", "charge_full_mah")
Settings = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """One activity of one phone in one run, as far as it can explain a difference.

    Attributes:
        name: how the sentences call it.
        amount: energy and time.
        segment: None for the whole run.
        phone: whose.
        ambient_c: room temperature as stated.
        settings: what the phone was set to meanwhile, as its own words.
        checked: what a check found of the phone, by item.
    """

    name: str
    amount: Amount
    segment: SegmentEnergy | None
    phone: PhoneEnergy
    ambient_c: float | None = None
    settings: Settings = field(default_factory=dict)
    checked: Checked = field(default_factory=dict)


def confounders(one: Done, other: Done) -> tuple[str, ...]:
    """Sentences on what differed besides, and on what makes either side doubtful."""
    return (
        *_durations(one, other),
        *_flags(one),
        *_flags(other),
        *_methods(one, other),
        *_temperatures(one, other),
        *_room(one, other),
        *_set(one, other),
        *_checked(one, other),
        *_age(one, other),
    )


def alike_in_duration(one: Amount, other: Amount) -> bool:
    """Whether two activities lasted equally long, so that their energies can be compared."""
    longer_s = max(one.duration_s, other.duration_s)
    return abs(one.duration_s - other.duration_s) <= _APART_RATIO * longer_s


def _durations(one: Done, other: Done) -> list[str]:
    said = [
        f"{done.name}: cut short, compared as a rate"
        for done in (one, other)
        if done.segment is not None and done.segment.cut_short
    ]
    if not alike_in_duration(one.amount, other.amount):
        lengths = " and ".join(f"{done.amount.duration_s / 60:.0f} min" for done in (one, other))
        mixed = ", so the mix of activities differs" if one.segment is None else ""
        said.append(f"{one.name} and {other.name} lasted {lengths}{mixed}")
    return said


def _flags(done: Done) -> list[str]:
    flags = done.segment.flags if done.segment is not None else ()
    return [f"{done.name}: {flag}" for flag in flags]


def _methods(one: Done, other: Done) -> list[str]:
    methods = [done.segment.method if done.segment is not None else None for done in (one, other)]
    if methods[0] == methods[1]:
        return []
    return [f"{one.name} by {methods[0]}, {other.name} by {methods[1]}"]


def _temperatures(one: Done, other: Done) -> list[str]:
    means = [
        done.segment.temperature_mean_c if done.segment is not None else None
        for done in (one, other)
    ]
    return _warmer("battery", means, (one, other), _APART_C)


def _room(one: Done, other: Done) -> list[str]:
    return _warmer("room", [one.ambient_c, other.ambient_c], (one, other), _APART_ROOM_C)


def _warmer(
    what: str, values: list[float | None], sides: tuple[Done, Done], least_c: float
) -> list[str]:
    first, second = values
    if first is None or second is None or abs(first - second) < least_c:
        return []
    warmer = sides[0] if first > second else sides[1]
    return [f"{warmer.name}: {what} {abs(first - second):.1f} °C warmer"]


def _set(one: Done, other: Done) -> list[str]:
    return [
        f"{name.replace('_', ' ')}: {one.name} {one.settings[name]}, "
        f"{other.name} {other.settings[name]}"
        for name in _SETTINGS
        if name in one.settings
        and name in other.settings
        and one.settings[name] != other.settings[name]
    ]


def _checked(one: Done, other: Done) -> list[str]:
    return [
        f"{printable(item, 60)}, as checked: {one.name} {mine}, {other.name} {others}"
        for item, mine, others in unequal(one.checked, other.checked)
    ]


def _age(one: Done, other: Done) -> list[str]:
    said = []
    cycles = [_number(done.settings.get("cycle_count")) for done in (one, other)]
    if None not in cycles and abs((cycles[0] or 0) - (cycles[1] or 0)) >= _APART_CYCLES:
        said.append(
            f"battery age: {one.name} {cycles[0]:.0f} cycles, {other.name} {cycles[1]:.0f} cycles"
        )
    for done in (one, other):
        full_mah = _number(done.settings.get("charge_full_mah"))
        rated_mah = done.phone.capacity_mah
        if full_mah and rated_mah and full_mah < (1 - _AGED_RATIO) * rated_mah:
            said.append(f"{done.name}: full charge {full_mah / rated_mah:.0%} of the rated one")
    return said


def _number(text: str | None) -> float | None:
    try:
        return None if text is None else float(text)
    except ValueError:
        return None


def knows_age(settings: Settings) -> bool:
    """Whether anything tells how old the battery is."""
    return any(name in settings for name in _AGE)


def settings_of(run: Run, report: EnergyReport) -> dict[tuple[str, str, int], Settings]:
    """What each phone was set to during each of its segments, by phone, segment and occurrence.

    A setting that changed meanwhile, and not at a border, is given with all its values.
    """
    found: dict[tuple[str, str, int], Settings] = {}
    contexts = {recording.phone: recording.context for recording in run.recordings}
    for phone in report.phones:
        changes = contexts[phone.phone]
        for segment in phone.segments:
            before = changes[changes["t_s"] < segment.end_s - _EARLY_S]
            settled_s = segment.start_s + min(_SEEN_LATE_S, segment.amount.duration_s / 2)
            mine: dict[str, str] = {}
            for name, rows in before.groupby("name", observed=True):
                if name not in (*_SETTINGS, *_AGE):
                    continue
                begun = rows["t_s"].to_numpy() <= settled_s
                values = rows["value"].iloc[max(int(begun.sum()) - 1, 0) :]
                mine[str(name)] = " then ".join(dict.fromkeys(str(v) for v in values))
            found[phone.phone, segment.segment, segment.occurrence] = mine
    return found
