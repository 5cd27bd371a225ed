"""Charge counted by the gauge, weighted with the voltage at which it flowed."""

from dataclasses import replace

import numpy as np

from analysis.errors import CannotEstimateError
from analysis.estimation.agreement import Agreement
from analysis.estimation.anchors import Anchors, find_anchors, with_jumps, without_jumps
from analysis.estimation.borders import checked, piece_sums
from analysis.estimation.bridge import STRAY, Doubts
from analysis.estimation.counting import counted, counts, judged, judges, looks_of
from analysis.estimation.estimate import Component, Estimate, Flags
from analysis.estimation.flow import Flow
from analysis.estimation.profile import S_PER_H, Floats
from analysis.estimation.settle import settled
from analysis.estimation.steady import steady_flow
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps, slept_s
from parsers.text import so_many

NAME = "charge counter"
_PERSISTS = 1.0


def can(series: Series) -> bool:
    """Whether voltage was read and the counter stepped, and not only with the level."""
    return counts(series) and series.has("voltage_mv", 1)


def estimate(series: Series, borders_s: Floats) -> Estimate:
    """Energies from the counter's steps alone, evenly spread between them.

    A current is used only to judge the counter: whether it jumps or strays; and how far the
    voltage gives way to it.

    Raises:
        CannotEstimateError: if the counter never steps or voltage was not read.
        SeriesError: if the borders do not ascend.
    """
    if not can(series) or series.counter_lsb_mah is None:
        raise CannotEstimateError(NAME, "moving counter and voltage")
    borders = checked(borders_s)
    beside = judged(series) if judges(series) else None
    series = series if beside is None else beside.series
    looks = looks_of(series)
    anchors = find_anchors(series.read("counter_mah"), looks)
    notes: Flags = ()
    if beside is None:
        stray, ohm = 0.0, None
        anchors = with_jumps(anchors, None, np.zeros(0), looks.step_mah)
    else:
        stray, ohm = beside.found.stray_mah2_per_s, beside.shape.ohm
        notes = notes_on(beside.found)
        anchors = _jumping(anchors, counted(series, beside.shape, borders))
    asleep_s = np.diff(slept_s(sleeps(series), anchors.t_s))
    asleep_mah = series.gains.sleep_ma * asleep_s / S_PER_H
    awake_s = np.diff(anchors.t_s) - asleep_s
    charge_mah = without_jumps(anchors, awake_s, asleep_mah)
    shape = steady_flow(series, anchors.t_s, charge_mah, ohm)
    estimated = settled(
        series,
        shape,
        borders,
        method=NAME,
        anchors=anchors,
        doubts=Doubts(scale_u_ratio=0.0),
        flags=step_flags(series, anchors, borders),
        notes=notes,
    )
    strayed = Component(
        name=STRAY,
        kind="A",
        distribution="normal",
        source="counter against current",
        covariance_mwh2=np.diag(
            _PERSISTS * stray * np.diff(borders) * _mean_volts(shape, borders) ** 2
        ),
    )
    return replace(estimated, components=(*estimated.components, strayed))


def _mean_volts(shape: Flow, borders: Floats) -> Floats:
    return piece_sums(shape, "swept_vs", borders) / np.diff(borders)


def _jumping(anchors: Anchors, wider: Anchors) -> Anchors:
    """Anchors with the jumps found between wider ones: the largest step in each is the jump."""
    steps = np.abs(np.diff(anchors.charge_mah))
    taken: list[int] = []
    for jump_s in wider.jump_s:
        before_s = wider.t_s[np.searchsorted(wider.t_s, jump_s) - 1]
        # The same step may have got a slightly different moment among others.
        first = max(int(np.searchsorted(anchors.t_s, before_s)) - 1, 0)
        last = int(np.searchsorted(anchors.t_s, jump_s)) + 1
        near = np.setdiff1d(np.arange(first, min(last, len(steps))), taken)
        if len(near):
            taken.append(int(near[np.argmax(steps[near])]))
    jumped = np.sort(np.array(taken, dtype=np.intp)) + 1
    return replace(anchors, jump_s=tuple(anchors.t_s[jumped].tolist()))


def step_flags(series: Series, anchors: Anchors, borders: Floats) -> tuple[Flags, ...]:
    """Few steps, and jumps, per piece."""
    n_steps = np.diff(series.read("counter_mah").n_new(borders))
    n_jumps = np.histogram(anchors.jump_s, bins=borders)[0]
    return tuple(_flags(int(n), int(j)) for n, j in zip(n_steps, n_jumps, strict=True))


def _flags(n_steps: int, n_jumps: int) -> Flags:
    few = (f"only {so_many(n_steps, 'counter step')}",) if n_steps < 3 else ()
    jumps = (f"the counter jumped {so_many(n_jumps, 'time')}; taken out",) if n_jumps else ()
    return few + jumps


def notes_on(found: Agreement) -> Flags:
    """What comparing counter and current tells a reader."""
    notes = []
    if found.contradicts:
        notes.append(
            "charge counter and current contradict each other: the counter counts "
            f"{found.scale_ratio:.3f} times what the current adds up to"
        )
    if found.stray_mah2_per_s:
        notes.append(
            "the counter follows a model of the battery: it strays from the current by about "
            f"{found.stray_mah:.1f} mAh in an hour"
        )
    return tuple(notes)
