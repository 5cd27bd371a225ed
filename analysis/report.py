"""Energies of a run, ready to be shown: dataclasses, and their JSON form."""

import math
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np

from analysis.profile import Floats

SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One source of doubt about an amount.

    Attributes:
        name: what is in doubt.
        u_mwh: standard uncertainty that it leaves.
        kind: A or B (JCGM 100:2008, 4).
        distribution: normal or rectangular.
        shared: one and the same error in all amounts of the phone.
        source: where its size comes from.
    """

    name: str
    u_mwh: float
    kind: str
    distribution: str
    shared: bool
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something about the readings that a user should know, and when it was.

    Attributes:
        said: in words.
        start_s: on the phone's time axis.
        end_s: on the phone's time axis; the same as the start for a moment.
        start_utc: wall clock of the computer.
        end_utc: wall clock of the computer.
        harmless: it is handled and no cause for doubt.
        throughout: it holds for the whole recording.
    """

    said: str
    start_s: float
    end_s: float
    start_utc: datetime
    end_utc: datetime
    harmless: bool = False
    throughout: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """An energy over some time.

    Attributes:
        duration_s: by the phone's clock.
        energy_mwh: positive when taken out of the battery.
        u_mwh: combined standard uncertainty.
        lo95_mwh: lower end of the 95 % interval, not below 0 on battery.
        hi95_mwh: upper end of the 95 % interval.
        u_common_mwh: part of `u_mwh` shared by all segments of the phone.
        shared_mwh: that part cause by cause, each one and the same error in all amounts of the
            phone; `u_common_mwh` is their root sum of squares.
        n_free: effective degrees of freedom of `u_mwh`.
        budget: what `u_mwh` is made of; its lines are independent, `u_mwh` their root sum of
            squares.
    """

    duration_s: float
    energy_mwh: float
    u_mwh: float
    lo95_mwh: float
    hi95_mwh: float
    u_common_mwh: float
    shared_mwh: tuple[float, ...] = ()
    n_free: float = math.inf
    budget: tuple[BudgetLine, ...] = ()

    @property
    def mean_power_mw(self) -> float:
        """Over the duration."""
        return self.energy_mwh / self.duration_s * 3600 if self.duration_s > 0 else math.nan

    @property
    def power_u_mw(self) -> float:
        """Standard uncertainty of the mean power."""
        return self.u_mwh / self.duration_s * 3600 if self.duration_s > 0 else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentEnergy:
    """What one segment took.

    Attributes:
        segment: its name, untrusted text.
        occurrence: from 1, counting equal names.
        start_utc: wall clock of the computer.
        end_utc: wall clock of the computer.
        start_s: on the phone's time axis.
        amount: energy and doubt.
        method: how it was found.
        covered_ratio: share of the time that was measured.
        level_used_pct: points of the level shown; None if it was not read.
        share_ratio: of the phone's total; None without a total.
        temperature_start_c: of the battery; None if it was not read, as below.
        temperature_mean_c: weighted with time.
        temperature_max_c: highest reading.
        screen_on_s: None if the screen was not looked at.
        cut_short: the recording ended before the segment did.
        flags: what needs attention, in sentences.
        facts: what is worth knowing and no cause for doubt, in sentences.
        true_energy_mwh: of a virtual phone; None for a real one.
    """

    segment: str
    occurrence: int
    start_utc: datetime
    end_utc: datetime
    start_s: float
    amount: Amount
    method: str
    covered_ratio: float
    level_used_pct: float | None
    share_ratio: float | None
    temperature_start_c: float | None
    temperature_mean_c: float | None
    temperature_max_c: float | None
    screen_on_s: float | None
    cut_short: bool
    flags: tuple[str, ...]
    facts: tuple[str, ...] = ()
    true_energy_mwh: float | None = None

    @property
    def end_s(self) -> float:
        """On the phone's time axis."""
        return self.start_s + self.amount.duration_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Traces:
    """Curves of one phone over k adjoining spans of equal length, of a minute or more.

    Attributes:
        t_s: middle of each span on the phone's time axis, (k,).
        level_pct: mean level, NaN where not read, (k,).
        power_mw: mean power out of the battery, NaN where nothing was measured, (k,). Where a
            phone reports no current it is the mean over the segment or the rest.
        power_low_mw: least reading in the span, NaN without one, (k,).
        power_high_mw: greatest reading in the span, (k,).
        temperature_c: mean battery temperature, NaN where not read, (k,).
        temperature_low_c: least reading in the span, (k,).
        temperature_high_c: greatest reading in the span, (k,).
        energy_mwh: taken out by the end of the span, as the table says at every border, (k,).
    """

    t_s: Floats
    level_pct: Floats
    power_mw: Floats
    power_low_mw: Floats
    power_high_mw: Floats
    temperature_c: Floats
    temperature_low_c: Floats
    temperature_high_c: Floats
    energy_mwh: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneEnergy:
    """What one phone took.

    Attributes:
        phone: label.
        gauge: unit, sign and kind of its raw integers, and the evidence.
        segments: in the order of time.
        untagged: all time that was not marked.
        total: first to last reading.
        shut_off_utc: last answer before it shut off; None unless there is evidence that it did.
        model: as the phone says, untrusted text.
        capacity_mah: stated.
        traces: for charts.
        notes: what concerns the phone as a whole, in sentences.
        true_total_mwh: of a virtual phone; None for a real one.
        phone_hash: recognises the phone in another run; empty if unknown.
        findings: what was found in the stream of readings, in the order of time.
    """

    phone: str
    gauge: dict[str, Any]
    segments: tuple[SegmentEnergy, ...]
    untagged: Amount
    total: Amount
    shut_off_utc: datetime | None
    model: str
    capacity_mah: float | None
    traces: Traces
    notes: tuple[str, ...]
    true_total_mwh: float | None = None
    phone_hash: str = ""
    findings: tuple[Finding, ...] = ()

    @property
    def true_untagged_mwh(self) -> float | None:
        """Of a virtual phone; None for a real one."""
        tagged = [s.true_energy_mwh for s in self.segments if s.true_energy_mwh is not None]
        if self.true_total_mwh is None or len(tagged) < len(self.segments):
            return None
        return self.true_total_mwh - sum(tagged)


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyReport:
    """What all phones of a run took.

    Attributes:
        run: its id.
        title: the user's words, untrusted text.
        phones: in the order of the manifest.
        virtual: the phones were virtual.
        interrupted: the run has no outcome.
        began_utc: wall clock of the computer.
        ambient_c: room temperature as stated.
        tool_version: version that recorded the run.
        notes: what concerns the run as a whole, in sentences.
    """

    run: str
    title: str
    phones: tuple[PhoneEnergy, ...]
    virtual: bool
    interrupted: bool
    began_utc: datetime
    ambient_c: float | None
    tool_version: str
    notes: tuple[str, ...] = field(default=())

    @property
    def needs_attention(self) -> bool:
        """Whether anything is flagged."""
        flagged = any(s.flags for p in self.phones for s in p.segments)
        return flagged or self.interrupted or bool(self.notes)


def to_json(report: EnergyReport) -> dict[str, Any]:
    """The report as plain values; numbers are not rounded, absent ones are None."""
    return {
        "schema": SCHEMA,
        "run": report.run,
        "phones": [_phone_json(phone) for phone in report.phones],
    }


def _phone_json(phone: PhoneEnergy) -> dict[str, Any]:
    return {
        "phone": phone.phone,
        "gauge": phone.gauge,
        "segments": [segment_json(segment) for segment in phone.segments],
        "untagged": {
            "duration_s": phone.untagged.duration_s,
            "energy_mwh": phone.untagged.energy_mwh,
        },
        "total": {
            "duration_s": phone.total.duration_s,
            "energy_mwh": phone.total.energy_mwh,
            "energy_u_mwh": phone.total.u_mwh,
            "shut_off_utc": None if phone.shut_off_utc is None else utc_text(phone.shut_off_utc),
        },
    }


def budget_json(report: EnergyReport, name: str) -> dict[str, Any]:
    """The uncertainty budgets of all segments of a name, as plain values."""
    segments = [
        {
            "phone": phone.phone,
            "segment": segment.segment,
            "occurrence": segment.occurrence,
            "energy_mwh": segment.amount.energy_mwh,
            "energy_u_mwh": segment.amount.u_mwh,
            "energy_lo95_mwh": segment.amount.lo95_mwh,
            "energy_hi95_mwh": segment.amount.hi95_mwh,
            "budget": [asdict(line) for line in segment.amount.budget],
        }
        for phone in report.phones
        for segment in phone.segments
        if segment.segment == name
    ]
    return {"schema": SCHEMA, "run": report.run, "segments": segments}


def segment_json(segment: SegmentEnergy) -> dict[str, Any]:
    """One segment as plain values."""
    amount = segment.amount
    values: dict[str, Any] = {
        "segment": segment.segment,
        "occurrence": segment.occurrence,
        "start_utc": utc_text(segment.start_utc),
        "end_utc": utc_text(segment.end_utc),
        "duration_s": amount.duration_s,
        "energy_mwh": amount.energy_mwh,
        "energy_u_mwh": amount.u_mwh,
        "energy_lo95_mwh": amount.lo95_mwh,
        "energy_hi95_mwh": amount.hi95_mwh,
        "energy_u_common_mwh": amount.u_common_mwh,
        "mean_power_mw": amount.mean_power_mw,
        "level_used_pct": segment.level_used_pct,
        "share_ratio": segment.share_ratio,
        "method": segment.method,
        "covered_ratio": segment.covered_ratio,
        "temperature_start_c": segment.temperature_start_c,
        "temperature_mean_c": segment.temperature_mean_c,
        "temperature_max_c": segment.temperature_max_c,
        "screen_on_s": segment.screen_on_s,
        "cut_short": segment.cut_short,
        "flags": [*segment.flags, *segment.facts],
    }
    if segment.true_energy_mwh is not None:
        values["true_energy_mwh"] = segment.true_energy_mwh
    return {key: _plain(value) for key, value in values.items()}


def utc_text(moment: datetime) -> str:
    """ISO 8601 to the millisecond, with Z."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _plain(value: Any) -> Any:
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value
