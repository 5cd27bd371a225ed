"""Charge counted by the gauge, weighted with the voltage at which it flowed."""

from dataclasses import replace

import numpy as np

from analysis.errors import CannotEstimateError
from analysis.estimation.agreement import Agreement, agreement, scale_ratio
from analysis.estimation.anchors import Anchors, Looks, find_anchors, with_jumps, without_jumps
from analysis.estimation.borders import checked, piece_sums
from analysis.estimation.bridge import STRAY, Doubts
from analysis.estimation.estimate import Component, Estimate, Flags
from analysis.estimation.flow import Flow, flow
from analysis.estimation.profile import S_PER_H, Floats
from analysis.estimation.settle import settled
from analysis.estimation.steady import steady_flow
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps, slept_s

NAME = "charge counter"
_N_STEPS_LEAST = 2
_MOST_STEPS_RATIO = 1.5
_PERSISTS = 1.5
_N_JUDGES = 100
_LEAST_JUMP_RATIO = 3e-4
_LEAST_JUMP_MAH = 1.2
_LEVEL_EVERY_S = 10.0
"""The recorder looks at the level no oftener, however often it reads the counter."""


def can(series: Series) -> bool:
    """Whether voltage was read and the counter stepped, and not only with the level."""
    _, values = series.known("counter_mah")
    n_steps = int(np.count_nonzero(np.diff(values))) if len(values) else 0
    steps = n_steps >= _N_STEPS_LEAST and not moves_with_level(series)
    return steps and series.has("voltage_mv", 1)


def estimate(series: Series, borders_s: Floats) -> Estimate:
    """Energies from the counter's steps alone, evenly spread between them.

    A current is used only to judge the counter: whether it jumps or strays.

    Raises:
        CannotEstimateError: if the counter never steps or voltage was not read.
        SeriesError: if the borders do not ascend.
    """
    if not can(series) or series.counter_lsb_mah is None:
        raise CannotEstimateError(NAME, "moving counter and voltage")
    borders = checked(borders_s)
    anchors = find_anchors(*series.known("counter_mah"), looks_of(series))
    stray = 0.0
    notes: Flags = ()
    if series.has("current_ma", _N_JUDGES):
        judged, found = compared(series, flow(series), borders)
        anchors, stray = _jumping(anchors, judged), found.stray_mah2_per_s
        notes = notes_on(found)
    else:
        anchors = with_jumps(anchors, None, np.zeros(0), series.counter_lsb_mah)
    asleep_s = np.diff(slept_s(sleeps(series), anchors.t_s))
    asleep_mah = series.gains.sleep_ma * asleep_s / S_PER_H
    awake_s = np.diff(anchors.t_s) - asleep_s
    shape = steady_flow(series, anchors.t_s, without_jumps(anchors, awake_s, asleep_mah))
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


def _jumping(anchors: Anchors, judged: Anchors) -> Anchors:
    """Anchors with the jumps found between wider ones: the largest step in each is the jump."""
    jumps = []
    for jump_s in judged.jump_s:
        last = int(np.searchsorted(anchors.t_s, jump_s))
        before = judged.t_s[np.searchsorted(judged.t_s, jump_s) - 1]
        first = min(int(np.searchsorted(anchors.t_s, before)), last - 1)
        step = np.abs(np.diff(anchors.charge_mah[first : last + 1]))
        jumps.append(float(anchors.t_s[first + 1 + int(np.argmax(step))]))
    return replace(anchors, jump_s=tuple(jumps))


def compared(series: Series, shape: Flow, borders: Floats) -> tuple[Anchors, Agreement]:
    """The counter's anchors with their jumps marked, and how counter and current agree."""
    step_mah = series.counter_lsb_mah or 0.0
    looks = replace(looks_of(series), charge_mah=shape.charge_mah)
    readings = series.known("counter_mah")
    anchors = _with_jumps(series, shape, find_anchors(*readings, looks, borders))
    if anchors.jump_s:
        # All steps about a jump, so that no more than the one with the jump is lost.
        places = np.unique(np.concatenate([borders, anchors.jump_s]))
        anchors = _with_jumps(series, shape, find_anchors(*readings, looks, places))
    return anchors, agreement(anchors, shape, step_mah, live=series.current_hold_s is None)


def _with_jumps(series: Series, shape: Flow, anchors: Anchors) -> Anchors:
    step_mah = series.counter_lsb_mah or 0.0
    at = anchors.t_s
    hours = shape.total("asleep_s", at) / 3600 if shape.is_asleep else np.zeros(len(at))
    variance = np.diff(shape.total("doubt_mah2", at))
    variance = variance + (series.gains.sleep_half_ma * np.diff(hours)) ** 2 / 3
    expected = scale_ratio(anchors, shape, step_mah) * np.diff(shape.charge_mah(at))
    least_mah = max(_LEAST_JUMP_MAH, _LEAST_JUMP_RATIO * (series.capacity_mah or 0.0))
    return with_jumps(anchors, expected, np.sqrt(variance), step_mah, least_mah)


def looks_of(series: Series) -> Looks:
    """How the counter of a series is looked at."""
    return Looks(
        step_mah=series.counter_lsb_mah or 0.0,
        look_s=series.look_s["counter_mah"],
        poll_s=series.poll_s,
        refreshed_s=series.refreshed_s("counter_mah", "current_ma"),
    )


def moves_with_level(series: Series) -> bool:
    """Whether the counter is only the level in another unit: it steps when the level steps."""
    level_s, level_pct = series.known("level_pct")
    counter_s, counter_mah = series.known("counter_mah")
    level_steps_s = level_s[1:][np.diff(level_pct) != 0]
    steps_s = counter_s[1:][np.diff(counter_mah) != 0]
    if len(level_steps_s) == 0 or len(steps_s) > _MOST_STEPS_RATIO * len(level_steps_s):
        return False
    after = np.clip(np.searchsorted(level_steps_s, steps_s), 1, max(len(level_steps_s) - 1, 1))
    nearest = np.clip(np.column_stack([after - 1, after]), 0, len(level_steps_s) - 1)
    apart_s = np.min(np.abs(level_steps_s[nearest] - steps_s[:, None]), axis=1)
    look_s = max(series.poll_s, series.look_s["level_pct"], _LEVEL_EVERY_S)
    return bool(np.mean(apart_s <= 2 * look_s) > 0.8)


def step_flags(series: Series, anchors: Anchors, borders: Floats) -> tuple[Flags, ...]:
    """Few steps, and jumps, per piece."""
    times, values = series.known("counter_mah")
    step_s = times[1:][np.diff(values) != 0]
    n_steps = np.diff(np.searchsorted(step_s, borders))
    n_jumps = np.histogram(anchors.jump_s, bins=borders)[0]
    return tuple(_flags(int(n), int(j)) for n, j in zip(n_steps, n_jumps, strict=True))


def _flags(n_steps: int, n_jumps: int) -> Flags:
    few = (f"only {n_steps} counter steps",) if n_steps < 3 else ()
    jumps = (f"the counter jumped {n_jumps} times; taken out",) if n_jumps else ()
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
