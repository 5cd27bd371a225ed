"""Energies of a run, ready to be shown."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from analysis.estimation.profile import Floats

INTERRUPTED = "the run was interrupted: nobody ended it in order"


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
        whole: name of the segment that it is a later part of; empty for none.
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
    whole: str = ""

    @property
    def activity(self) -> tuple[str, int]:
        """Name and occurrence, the same for all parts of a segment that was cut."""
        return self.whole or self.segment, self.occurrence

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
        notes: what needs attention about the phone as a whole, in sentences.
        facts: what is worth knowing about it and no cause for doubt, in sentences.
        wholes: by name and occurrence, segments of which spans were cut out, their parts together.
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
    facts: tuple[str, ...] = ()
    wholes: Mapping[tuple[str, int], Amount] = field(default_factory=dict)

    @property
    def needs_attention(self) -> bool:
        """Whether anything makes its figures doubtful.

        What was found between segments only does not count, unless there are none.
        """
        doubtful = [finding for finding in self.findings if not finding.harmless]
        counts = any(finding.throughout or not self.segments for finding in doubtful)
        return counts or bool(self.notes) or any(s.flags for s in self.segments)

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
        """Whether anything makes its figures doubtful."""
        doubtful = any(phone.needs_attention for phone in self.phones)
        return doubtful or self.interrupted or bool(self.notes)
