"""From a run to its energies: every phone, every segment, and what is left."""

import math
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np
from threadpoolctl import threadpool_limits

from analysis.calibrating.calibration import calibrated
from analysis.errors import NothingRecordedError
from analysis.estimation.choose import best
from analysis.estimation.curves import traces
from analysis.estimation.estimate import Estimate
from analysis.estimation.profile import N_AT_ONCE, Floats
from analysis.readings.findings import Findings
from analysis.readings.recording import Recording
from analysis.readings.run import Run
from analysis.readings.segments import Segment, Segments, cut
from analysis.report import Amount, BudgetLine, EnergyReport, PhoneEnergy, SegmentEnergy


def energy(run: Run) -> EnergyReport:
    """Energies of all phones of a run.

    Raises:
        NothingRecordedError: if no phone's readings allow any estimate.
    """
    # Matrices are small: threads of the linear algebra would only wait for each other.
    with threadpool_limits(1, user_api="blas"), ThreadPoolExecutor(N_AT_ONCE) as pool:
        found = list(pool.map(partial(_phone_or_lack, run), range(len(run.recordings))))
    phones = [each for each in found if isinstance(each, PhoneEnergy)]
    lacks = [each for each in found if isinstance(each, NothingRecordedError)]
    if not phones:
        raise run.lacking(lacks)
    notes = [*run.notes, *(f"{lack.said}; {run.advice_on(lack)}" for lack in lacks)]
    manifest = run.manifest
    return EnergyReport(
        run=manifest.run_id,
        title=manifest.title,
        phones=tuple(phones),
        virtual=manifest.virtual,
        interrupted=manifest.outcome is None,
        began_utc=manifest.clocks.utc,
        ambient_c=manifest.ambient_c,
        tool_version=manifest.tool_version,
        notes=(*notes, *run.tags.damage),
    )


def _phone_or_lack(run: Run, number: int) -> PhoneEnergy | NothingRecordedError:
    try:
        return _phone(run, run.recordings[number])
    except NothingRecordedError as exc:
        return exc


def _phone(run: Run, recording: Recording) -> PhoneEnergy:
    segments = cut(run, recording)
    series = recording.series(border_u_s=segments.border_u_s)
    estimate = best(series, segments.borders_s, where=recording.phone)
    estimate = calibrated(recording.calibration, estimate, segments.borders_s)
    findings = Findings(run, recording, series, segments)
    tagged = np.array([piece.tagged for piece in segments.pieces])
    total = amount(estimate, np.ones(len(tagged)), segments)
    rows = tuple(
        _segment(number, piece, estimate, segments, findings, total)
        for number, piece in enumerate(segments.pieces)
        if piece.tagged
    )
    gauge = recording.entry.gauge
    end = recording.entry.end
    return PhoneEnergy(
        phone=recording.phone,
        gauge={
            "current_unit": gauge.current_unit if gauge else None,
            "current_sign": gauge.current_sign if gauge else None,
            "counter": gauge.counter if gauge else "unknown",
            "why": gauge.why if gauge else "",
        },
        segments=rows,
        untagged=amount(estimate, (~tagged).astype(np.float64), segments),
        total=total,
        shut_off_utc=end.last_answer_utc if end and end.what == "shut_off" else None,
        model=recording.entry.model,
        capacity_mah=recording.entry.capacity_mah,
        traces=traces(series, segments.borders_s, estimate.energy_mwh),
        notes=findings.notes(estimate.doubts),
        true_total_mwh=findings.true_mwh(series.t_s[0], series.t_s[-1]),
        phone_hash=recording.entry.phone_hash,
        findings=findings.stream,
        facts=tuple(
            note for note in estimate.notes if note not in {f.said for f in findings.stream}
        ),
        wholes={key: amount(estimate, w, segments) for key, w in segments.parted().items()},
    )


def amount(estimate: Estimate, weight: Floats, segments: Segments) -> Amount:
    """The sum of some pieces (weight 1 or 0) with its 95 % interval."""
    durations = np.array([piece.duration_s for piece in segments.pieces])
    energy_mwh, u_mwh = estimate.summed(weight)
    shared = estimate.shared_parts_mwh(weight)
    chosen = weight > 0
    if not chosen.any():
        return Amount(
            duration_s=0.0, energy_mwh=0.0, u_mwh=0.0, lo95_mwh=0.0, hi95_mwh=0.0, u_common_mwh=0.0
        )
    n_free = float(np.min(estimate.effective_n_free[chosen]))
    reach = estimate.reach_mwh(weight)
    low = energy_mwh - reach
    return Amount(
        duration_s=float(weight @ durations),
        energy_mwh=energy_mwh,
        u_mwh=u_mwh,
        lo95_mwh=max(low, 0.0) if energy_mwh >= 0 else low,
        hi95_mwh=energy_mwh + reach,
        u_common_mwh=math.hypot(*shared),
        shared_mwh=shared,
        n_free=n_free,
        budget=_budget(estimate, weight),
    )


def _budget(estimate: Estimate, weight: Floats) -> tuple[BudgetLine, ...]:
    """The lines that matter, largest first."""
    lines = [
        BudgetLine(
            name=component.name,
            u_mwh=component.u_of(weight),
            kind=component.kind,
            distribution=component.distribution,
            shared=component.shared,
            source=component.source,
        )
        for component in estimate.components
    ]
    return tuple(sorted((x for x in lines if x.u_mwh > 0), key=lambda x: -x.u_mwh))


def _segment(
    number: int,
    piece: Segment,
    estimate: Estimate,
    segments: Segments,
    findings: Findings,
    total: Amount,
) -> SegmentEnergy:
    weight = np.zeros(len(segments.pieces))
    weight[number] = 1.0
    mine = amount(estimate, weight, segments)
    start_c, mean_c, max_c = findings.temperatures_c(piece)
    return SegmentEnergy(
        segment=piece.name,
        occurrence=piece.occurrence,
        start_utc=segments.borders_utc[number],
        end_utc=segments.borders_utc[number + 1],
        start_s=piece.start_s,
        amount=mine,
        method=estimate.method[number],
        covered_ratio=float(estimate.covered_ratio[number]),
        level_used_pct=findings.level_used_pct(piece),
        share_ratio=mine.energy_mwh / total.energy_mwh if total.energy_mwh else None,
        temperature_start_c=start_c,
        temperature_mean_c=mean_c,
        temperature_max_c=max_c,
        screen_on_s=findings.screen_on_s(piece),
        cut_short=piece.cut_short,
        flags=findings.flags(piece),
        facts=(*piece.facts, *findings.facts(piece), *estimate.flags[number]),
        true_energy_mwh=findings.true_mwh(piece.start_s, piece.end_s),
        whole=piece.whole,
    )
