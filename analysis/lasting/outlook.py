"""How long each activity, or a mix of them, would last on a full charge."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from analysis.errors import NothingRecordedError
from analysis.lasting.charge import Charge, Lasting, NearEmpty, Rate, Usable
from analysis.lasting.endurance import Endurance
from analysis.readings.run import Run
from analysis.report import INTERRUPTED
from analysis.statistics.inference import Interval
from parsers.text import printable

SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneOutlook:
    """One phone.

    Attributes:
        phone: label.
        usable_mwh: energy of a full charge.
        measured: by this run, from 100 % to shut-off; else rated capacity times mean voltage.
        said: which of the two and why, in a sentence.
        activities: in the order they were first done.
        mix: of activities as asked; None if not asked.
        near_empty: None if the run was no full charge.
        endurance: European figure; None unless the run followed that sequence.
        notes: what makes the phone as a whole doubtful, in sentences.
    """

    phone: str
    usable_mwh: Interval
    measured: bool
    said: str
    activities: tuple[Lasting, ...]
    mix: Lasting | None = None
    near_empty: NearEmpty | None = None
    endurance: Endurance | None = None
    notes: tuple[str, ...] = ()

    @property
    def needs_attention(self) -> bool:
        """Whether anything makes its hours doubtful."""
        return bool(self.notes) or not self.measured or any(a.flags for a in self.activities)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """All phones of a run.

    Attributes:
        run: its id.
        phones: those of which enough is known.
        mix_s: time of each activity in a round of the mix; empty if not asked.
        notes: phones left out, and why, and what concerns the run as a whole.
    """

    run: str
    phones: tuple[PhoneOutlook, ...]
    mix_s: Mapping[str, float]
    notes: tuple[str, ...] = ()

    @property
    def needs_attention(self) -> bool:
        """Whether anything makes its hours doubtful."""
        return bool(self.notes) or any(phone.needs_attention for phone in self.phones)


def outlook(
    run: Run, mix_s: Mapping[str, float] | None = None, nominal_mv: float | None = None
) -> Outlook:
    """How long the activities of a run would last.

    Args:
        run: with tagged segments.
        mix_s: activities and the time of each in a round.
        nominal_mv: nominal voltage of the packs, for the European index.

    Raises:
        ValueError: if the mix names an activity that no phone did.
        NothingRecordedError: if no phone tells enough.
    """
    phones, lacks = [], []
    names: dict[str, None] = {}
    for recording in run.recordings:
        try:
            charge = Charge(run, recording)
            names |= dict.fromkeys(charge.activities)
            phones.append((charge, charge.usable()))
        except NothingRecordedError as exc:
            lacks.append(exc)
    if not phones:
        raise run.lacking(lacks)
    notes = [*run.notes, *run.tags.damage]
    if run.manifest.outcome is None:
        notes.append(INTERRUPTED)
    notes += [f"{lack.said}; {run.advice_on(lack)}" for lack in lacks]
    wanted = _known(mix_s or {}, list(names))
    return Outlook(
        run=run.manifest.run_id,
        phones=tuple(
            _phone(charge, usable, wanted, nominal_mv, notes) for charge, usable in phones
        ),
        mix_s=wanted,
        notes=tuple(notes),
    )


def parse_mix(text: str) -> dict[str, float]:
    """`call=30m,standby=8h` as seconds by activity.

    Raises:
        ValueError: with a sentence on what a mix is.
    """
    unit_s = {"s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}
    mix: dict[str, float] = {}
    for part in text.split(","):
        name, _, length = (word.strip() for word in part.rpartition("="))
        figure = length.rstrip("smhin")
        try:
            seconds = float(figure) * unit_s[length[len(figure) :].strip()]
        except (ValueError, KeyError):
            seconds = 0.0
        if not name or not 0 < seconds < 1e7 or name in mix:
            raise ValueError(
                f"mix '{printable(part)}': give each activity once, with its time in s, m or h, "
                "such as call=30m,standby=8h"
            )
        mix[name] = seconds
    return mix


def _phone(
    charge: Charge,
    usable: Usable,
    mix_s: Mapping[str, float],
    nominal_mv: float | None,
    notes: list[str],
) -> PhoneOutlook:
    rates = {activity: charge.rate(activity) for activity in charge.activities}
    mix = None
    if lacking := [name for name in mix_s if name not in rates]:
        listed = ", ".join(map(printable, lacking))
        notes.append(f"{charge.recording.phone}: no mix, it did not do {listed}")
    elif mix_s:
        whole_s = sum(mix_s.values())
        rate = Rate.mixed([(rates[name], s / whole_s) for name, s in mix_s.items()])
        mix = charge.lasting("mix", usable, rate)
    return PhoneOutlook(
        phone=charge.recording.phone,
        usable_mwh=usable.energy_mwh,
        measured=usable.weight is not None,
        said=usable.said,
        activities=tuple(
            charge.lasting(activity, usable, rate) for activity, rate in rates.items()
        ),
        mix=mix,
        near_empty=charge.near_empty(),
        endurance=charge.endurance(nominal_mv),
        notes=charge.notes(),
    )


def _known(mix_s: Mapping[str, float], names: list[str]) -> dict[str, float]:
    """The mix by the names the segments have; upper and lower case do not matter."""
    by_lower = {name.lower(): name for name in reversed(names)}
    found: dict[str, float] = {}
    for asked, seconds in mix_s.items():
        name = asked if asked in names else by_lower.get(asked.lower())
        if name is None:
            raise ValueError(
                f"no phone did '{printable(asked)}'; there is {', '.join(map(printable, names))}"
            )
        found[name] = found.get(name, 0.0) + seconds
    return found


def to_json(result: Outlook) -> dict[str, Any]:
    """The outlook as plain values; numbers are not rounded, absent ones are None."""
    plain = {"schema": SCHEMA, **asdict(result), "mix_s": dict(result.mix_s)}
    for phone in plain["phones"]:
        if phone["endurance"] is not None:
            for name in ("declared_h", "index_per_w"):
                figure = phone["endurance"][name]
                phone["endurance"][name] = None if figure is None else float(figure)
    return plain
