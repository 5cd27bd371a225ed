"""Verdicts: which phone, or which run, drew less at each activity, or that it cannot be told."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import combinations
from typing import Any, Self

from analysis.comparison.confounders import (
    Done,
    Settings,
    alike_in_duration,
    confounders,
    knows_age,
    settings_of,
)
from analysis.comparison.contrast import Contrast, Rate, apart, once, side_by_side
from analysis.comparison.matching import Matched, matched
from analysis.comparison.replicates import Replicate, replicate
from analysis.comparison.unequal import Checked, checked_of
from analysis.comparison.verdict import TOTAL, Comparison, adjusted, plain
from analysis.comparison.wholes import activities
from analysis.readings.run import Run
from analysis.report import EnergyReport, PhoneEnergy, SegmentEnergy
from analysis.statistics.inference import Interval, symmetric, welch_satterthwaite

SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A run with its energies.

    Attributes:
        name: as the user named it, untrusted text.
        report: its energies.
        settings: of the phones during each segment, by phone, segment and occurrence.
        checked: what a check found of them, the same; also of whole runs.
    """

    name: str
    report: EnergyReport
    settings: Mapping[tuple[str, str, int], Settings] = field(default_factory=dict)
    checked: Mapping[tuple[str, str, int], Checked] = field(default_factory=dict)

    @classmethod
    def of(cls, run: Run, report: EnergyReport, name: str) -> Self:
        """A run as it was read, with its energies.

        Raises:
            RunDamagedError: if the file of checks cannot be read as text.
        """
        return cls(
            name=name,
            report=report,
            settings=settings_of(run, report),
            checked=checked_of(run, report),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Everything that runs say of phones and of each other.

    Attributes:
        names: of the runs.
        between_phones: one table of verdicts, adjusted for being many.
        between_runs: another, each phone's later runs against its first.
        replicates: what each activity took over several runs.
        notes: what concerns all of it and needs attention, in sentences.
        remarks: what is worth knowing, in sentences.
    """

    names: tuple[str, ...]
    between_phones: tuple[Comparison, ...]
    between_runs: tuple[Comparison, ...] = ()
    replicates: tuple[Replicate, ...] = ()
    notes: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def needs_attention(self) -> bool:
        """Whether anything else than the phones may be behind a difference."""
        found = any(c.confounders for c in (*self.between_phones, *self.between_runs))
        return found or bool(self.notes)


def compare(
    runs: Sequence[Measured | EnergyReport], same: Sequence[tuple[str, str]] = ()
) -> Compared:
    """Phones against each other and runs against each other.

    Args:
        runs: the one first to which later ones are compared.
        same: pairs of labels that mean one phone.

    Raises:
        ValueError: if there is nothing to compare, or one run is named twice.
    """
    measured = [r if isinstance(r, Measured) else Measured(name=r.run, report=r) for r in runs]
    ids = [run.report.run for run in measured]
    if len(set(ids)) < len(ids):
        raise ValueError("the same run is named twice; a copy is no second sample")
    match = matched([run.report for run in measured], [run.name for run in measured], same)
    done = _activities(measured, match)
    between_phones = [
        _phones(key, one, other, done[key])
        for key in done
        for one, other in combinations(match.names, 2)
        if one in done[key] and other in done[key]
    ]
    between_runs = [
        _runs(key, measured, first, later, label)
        for key in done
        for label, (first, *others) in ((n, list(d.items())) for n, d in done[key].items())
        for later in others
    ]
    if not between_phones and not between_runs:
        raise ValueError("nothing to compare: no two phones or runs have an activity in common")
    notes = [
        *match.notes,
        *(f"{run.name} was interrupted" for run in measured if run.report.interrupted),
        *(note for run in measured for note in run.report.notes),
    ]
    return Compared(
        names=tuple(run.name for run in measured),
        between_phones=adjusted(between_phones),
        between_runs=adjusted(between_runs),
        replicates=tuple(
            replicate(key, label, [Rate.of(d.amount) for d in by_run.values()])
            for key, labels in done.items()
            for label, by_run in labels.items()
            if len(by_run) > 1
        ),
        notes=tuple(notes),
        remarks=_remarks(measured),
    )


def verdicts(report: EnergyReport) -> tuple[Comparison, ...]:
    """The phones of one run against each other; nothing for a single one."""
    if len(report.phones) < 2:
        return ()
    return compare([report]).between_phones


_ByRun = dict[int, Done]


def _activities(
    measured: Sequence[Measured], match: Matched
) -> dict[tuple[str, int], dict[str, _ByRun]]:
    """What was done, by activity, phone and run; the whole runs first."""
    found: dict[tuple[str, int], dict[str, _ByRun]] = {(TOTAL, 0): {}}
    for number, run in enumerate(measured):
        for phone in run.report.phones:
            name = match.name(number, phone.phone)
            for key, done in _done(run, phone, name).items():
                if done.amount.duration_s > 0 and done.amount.u_mwh > 0:
                    found.setdefault(key, {}).setdefault(name, {})[number] = done
    return found


def _done(run: Measured, phone: PhoneEnergy, name: str) -> dict[tuple[str, int], Done]:
    def made(key: tuple[str, int], segment: SegmentEnergy | None) -> Done:
        return Done(
            name=name,
            amount=segment.amount if segment else phone.total,
            segment=segment,
            phone=phone,
            ambient_c=run.report.ambient_c,
            settings=run.settings.get((phone.phone, *key), {}),
            checked=run.checked.get((phone.phone, *key), {}),
        )

    whole_run: dict[tuple[str, int], SegmentEnergy | None] = {(TOTAL, 0): None}
    return {key: made(key, s) for key, s in (whole_run | activities(phone)).items()}


def _phones(key: tuple[str, int], one: str, other: str, done: dict[str, _ByRun]) -> Comparison:
    ones, others = done[one], done[other]
    both = [run for run in ones if run in others]
    contrast = _contrast(ones, others, both)
    pairs = [(ones[run], others[run]) for run in both] or [
        (next(iter(ones.values())), next(iter(others.values())))
    ]
    found = (said for pair in pairs for said in confounders(*pair))
    return Comparison(
        activity=key[0],
        occurrence=key[1],
        one=one,
        other=other,
        contrast=contrast,
        difference_mwh=_energies(*pairs[0]) if contrast.n_runs == 1 else None,
        confounders=tuple(dict.fromkeys(found)),
    )


def _contrast(ones: _ByRun, others: _ByRun, both: list[int]) -> Contrast:
    """From runs that have both phones, where there are any; else from all there are."""
    rates = [{run: Rate.of(d.amount) for run, d in side.items()} for side in (ones, others)]
    usable = [{run: rate for run, rate in side.items() if rate.power_mw > 0} for side in rates]
    pairs = [(usable[0][r], usable[1][r]) for r in both if r in usable[0] and r in usable[1]]
    if pairs:
        return side_by_side(pairs)
    if both or not (usable[0] and usable[1]):
        return once(next(iter(rates[0].values())), next(iter(rates[1].values())))
    return apart(list(usable[0].values()), list(usable[1].values()))


def _runs(
    key: tuple[str, int],
    measured: Sequence[Measured],
    first: tuple[int, Done],
    later: tuple[int, Done],
    label: str,
) -> Comparison:
    names = {number: measured[number].name for number in (first[0], later[0])}
    one, other = (replace(done, name=names[number]) for number, done in (later, first))
    return Comparison(
        activity=key[0],
        occurrence=key[1],
        one=one.name,
        other=other.name,
        phone=label,
        contrast=once(
            Rate.of(one.amount), Rate.of(other.amount), same_gauge=_same_gauge(one, other)
        ),
        confounders=confounders(one, other),
    )


def _same_gauge(one: Done, other: Done) -> bool:
    """Whether the two rest on the same thing, so that its errors are the same."""
    methods = [
        {s.method for s in ([done.segment] if done.segment else done.phone.segments)}
        for done in (one, other)
    ]
    known = one.phone.phone_hash == other.phone.phone_hash != ""
    return known and methods[0] == methods[1]


def _energies(one: Done, other: Done) -> Interval | None:
    if not alike_in_duration(one.amount, other.amount):
        return None
    u = [one.amount.u_mwh, other.amount.u_mwh]
    n_free = welch_satterthwaite(u, [one.amount.n_free, other.amount.n_free])
    apart_mwh = one.amount.energy_mwh - other.amount.energy_mwh
    return symmetric(apart_mwh, (u[0] ** 2 + u[1] ** 2) ** 0.5, n_free)


def _remarks(measured: Sequence[Measured]) -> tuple[str, ...]:
    said = []
    if len(measured) == 1:
        said.append("one run is one sample: how an activity varies from run to run is not in it")
    said += [
        f"{run.name}: nobody checked whether the phones were set alike"
        for run in measured
        if not run.checked
    ]
    read = [settings for run in measured for settings in run.settings.values()]
    if not all(knows_age(settings) for settings in read):
        said.append("battery age unknown: cycle count and full charge were not read on each phone")
    return tuple(said)


def to_json(compared: Compared) -> dict[str, Any]:
    """The comparisons as plain values; numbers are not rounded, absent ones are None."""
    return {
        "schema": SCHEMA,
        "runs": list(compared.names),
        "adjusted": "Holm",
        "between_phones": [plain(c) for c in compared.between_phones],
        "between_runs": [plain(c) for c in compared.between_runs],
        "replicates": [asdict(r) for r in compared.replicates],
        "notes": list(compared.notes),
        "remarks": list(compared.remarks),
    }
