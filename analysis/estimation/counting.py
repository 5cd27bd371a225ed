"""The charge counter of a phone: how it is looked at, and what it and the current say together."""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from analysis.estimation.agreement import Agreement, Totals
from analysis.estimation.anchors import Anchors, Looks, find_anchors, with_jumps
from analysis.estimation.current import WINDOW_S
from analysis.estimation.flow import Flow, flow
from analysis.estimation.profile import N_AT_ONCE, S_PER_H, Bools, Floats, Indices
from analysis.readings.freshness import Known
from analysis.readings.series import Series

_N_STEPS_LEAST = 2
_MOST_STEPS_RATIO = 1.5
_N_TICKS_LEAST = 12
_N_TELLING_LEAST = 5.0
_MOST_MISFIT_RATIO = 1.5
"""Against sampling alone; common practice, no source."""

_LOWEST_PCT, _HIGHEST_PCT = 3.0, 99.0
"""Platforms stretch both ends of the scale."""

_LEVEL_EVERY_S = 10.0
"""The recorder looks at the level no oftener, however often it reads the counter."""

_N_JUDGES = 100
_LEAST_JUMP_RATIO = 3e-4
_LEAST_JUMP_MAH = 1.2
_N_ASLEEP, _N_ASLEEP_TELL, _ALIKE_RATIO = 5, 3, 3.0
_MOST_ASLEEP_MA = 200.0
"""What a sleeping phone may draw beyond the default: music, a poor signal; common practice, no
source."""

_MEANS_RATIO, _SLOW_MEANS_RATIO = 0.35, 0.55
"""Variance against that of momentary readings, below which held values, and slow ones, must be
means; found on virtual phones, no other source."""

_SLOW_S = 2.0
"""Read more slowly, a cache may be filled between any two readings; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What counter and current show each other to be.

    Attributes:
        series: the readings, with what was found out about them.
        shape: the current's flow.
        jump_s: when the counter jumped.
        found: how they agree.
    """

    series: Series
    shape: Flow
    jump_s: tuple[float, ...]
    found: Agreement


@lru_cache(maxsize=N_AT_ONCE)
def counts(series: Series) -> bool:
    """Whether the counter stepped, and not only with the level."""
    n_steps = len(series.read("counter_mah").news)
    return n_steps >= _N_STEPS_LEAST and not moves_with_level(series)


def judges(series: Series) -> bool:
    """Whether there is enough of counter and current to tell something about each other."""
    return counts(series) and series.has("current_ma", _N_JUDGES) and series.has("voltage_mv")


@lru_cache(maxsize=N_AT_ONCE)
def judged(series: Series) -> Judged:
    """Counter and current, compared over the whole series; both must be there.

    That a current is a mean over the time for which it was held, and not the reading of one
    moment, shows in how well its sum follows the counter. Read slowly, a held one repeats nothing
    and shows in that alone: it may be as old as the time between two readings.
    """
    found = _judged(series, flow(series))
    live = series.current_hold_s is None
    if found.found.sampling_ratio > (_SLOW_MEANS_RATIO if live else _MEANS_RATIO):
        return found
    if live:
        if series.poll_s < _SLOW_S:
            return found
        series = replace(
            series,
            current_hold_s=series.poll_s,
            cached=series.cached | {"counter_mah": True},
            look_s=series.look_s | {"counter_mah": series.poll_s},
        )
    return _judged(series, flow(series, means=True), means=True)


@lru_cache(maxsize=N_AT_ONCE)
def by_level(series: Series) -> Judged | None:
    """The level's steps as those of a coarse counter beside the current; None if they are not.

    Many gauges show the counted charge in whole percents; others follow a map that strays far
    from it. Only steps that differ from the current's sum by no more than sampling does are taken.
    What a step is worth is taken from that sum: it tells nothing of the current's scale.
    """
    steps = level_steps(series)
    if len(steps.news) < _N_TICKS_LEAST or not series.has("current_ma", _N_JUDGES):
        return None
    shape = flow(series)
    ends = steps.news[[0, -1]]
    fell = -float(np.diff(steps.values[ends])[0])
    flowed_mah = float(np.diff(shape.charge_mah(steps.t_s[ends]))[0])
    if fell <= 0 or flowed_mah <= 0:
        return None
    point_mah = flowed_mah / fell
    level = np.where(_trustworthy(series.level_pct), series.level_pct, np.nan)
    series = replace(
        series,
        counter_mah=level * point_mah,
        counter_lsb_mah=point_mah,
        cached=series.cached | {"counter_mah": False},
        look_s=series.look_s | {"counter_mah": series.look_s["level_pct"]},
    )
    # Sleep is in that sum by default only; without it the two give the step once more.
    ratio = _judged(series, shape).found.scale_ratio
    series = replace(
        series, counter_mah=series.counter_mah / ratio, counter_lsb_mah=point_mah / ratio
    )
    beside = _judged(series, shape)
    misfit = beside.found.misfit_ratio
    if misfit is None or misfit > _MOST_MISFIT_RATIO:
        return None
    # Held values may be means, far better than their scatter says: the level must be able to tell.
    unsure = series.poll_s > _SLOW_S or (series.current_hold_s or 0.0) > WINDOW_S
    return None if unsure and beside.found.n_telling < _N_TELLING_LEAST else beside


def level_steps(series: Series) -> Known:
    """First and last reading of each level that is neither nearly empty nor nearly full.

    With them the reading before the first and the one after the last, so that the steps from and
    to other levels show as such.
    """
    known = series.read("level_pct").brief()
    usable = _trustworthy(known.values)
    beside = usable.copy()
    beside[1:] |= usable[:-1]
    beside[:-1] |= usable[1:]
    return known.where(beside)


def _trustworthy(level_pct: Floats) -> Bools:
    return (level_pct > _LOWEST_PCT) & (level_pct < _HIGHEST_PCT)


def _judged(series: Series, shape: Flow, *, means: bool = False) -> Judged:
    anchors = counted(series, shape, series.t_s[[0, -1]])
    live = series.current_hold_s is None
    found = Totals.at(anchors, shape).agreement(live=live, means=means)
    return Judged(series=series, shape=shape, jump_s=anchors.jump_s, found=found)


def counted(series: Series, shape: Flow, borders: Floats) -> Anchors:
    """Anchors enough for the borders given, with the jumps marked that the current shows."""
    looks = replace(looks_of(series), charge_mah=shape.charge_mah)
    readings = series.read("counter_mah")
    anchors = _with_jumps(series, shape, find_anchors(readings, looks, borders), borders)
    if anchors.jump_s:
        # Steps close to a jump, so that little more than the one with the jump is lost.
        places = np.unique(np.concatenate([borders, anchors.jump_s]))
        anchors = _with_jumps(series, shape, find_anchors(readings, looks, places), borders)
    return anchors


def _with_jumps(series: Series, shape: Flow, anchors: Anchors, borders: Floats) -> Anchors:
    totals = Totals.at(anchors, shape)
    variance = np.diff(totals.sampling_mah2 + totals.other_mah2)
    slept_h = np.diff(shape.total("asleep_s", anchors.t_s)) / S_PER_H
    variance = variance + (series.gains.sleep_half_ma * slept_h) ** 2 / 3
    expected = totals.scale_ratio() * np.diff(totals.told_mah)
    least_mah: Floats | float
    least_mah = max(_LEAST_JUMP_MAH, _LEAST_JUMP_RATIO * (series.capacity_mah or 0.0))
    if shape.hold_s is not None and len(expected):
        # What is held may stand on the wrong side of where an activity begins or ends.
        rate = np.pad(expected / np.diff(anchors.t_s), 1, mode="edge")
        apart = np.maximum(np.abs(rate[1:-1] - rate[:-2]), np.abs(rate[1:-1] - rate[2:]))
        least_mah = np.maximum(least_mah, shape.hold_s * apart)
    step_mah = series.counter_lsb_mah or 0.0
    piece = np.searchsorted(borders, (anchors.t_s[1:] + anchors.t_s[:-1]) / 2)
    more_mah = slept_h * _most_asleep_ma(np.diff(anchors.charge_mah) - expected, slept_h, piece)
    return with_jumps(anchors, expected, np.sqrt(variance), step_mah, least_mah, more_mah)


def _most_asleep_ma(more_mah: Floats, slept_h: Floats, piece: Indices) -> Floats:
    """What a sleeping phone may draw beyond the default between neighbouring anchors, (n,).

    Music or a poor signal draw the same in one sleep and the next: of a phone that sleeps several
    times in a piece, its sleeps about each one tell; of another nothing does.

    Args:
        more_mah: what was counted beyond what is expected, (n,).
        slept_h: time asleep, (n,).
        piece: in which piece of the run it was, (n,).
    """
    result = np.zeros(len(slept_h))
    at = np.flatnonzero(slept_h > 0)
    if not len(at):
        return result
    beside = np.add.outer(np.arange(len(at)), np.arange(-_N_ASLEEP, _N_ASLEEP + 1))
    known = (beside >= 0) & (beside < len(at))
    beside = np.clip(beside, 0, len(at) - 1)
    known &= piece[at][beside] == piece[at][:, None]
    draws_ma = np.where(known, (more_mah[at] / slept_h[at])[beside], np.nan)
    usual_ma = _ALIKE_RATIO * np.maximum(
        np.nanquantile(draws_ma, 0.5, axis=1, method="lower"), 0.0
    )
    result[at] = np.where(known.sum(axis=1) < _N_ASLEEP_TELL, np.inf, usual_ma)
    return np.minimum(result, _MOST_ASLEEP_MA)


def looks_of(series: Series) -> Looks:
    """How the counter of a series is looked at."""
    return Looks(
        step_mah=series.counter_lsb_mah or 0.0,
        look_s=series.look_s["counter_mah"],
        poll_s=series.poll_s,
        refreshed=series.refreshed("counter_mah"),
    )


def moves_with_level(series: Series) -> bool:
    """Whether the counter is only the level in another unit: it steps when the level steps."""
    level, counter = (series.read(each) for each in ("level_pct", "counter_mah"))
    if len(level.news) == 0 or len(counter.news) > _MOST_STEPS_RATIO * len(level.news):
        return False
    level_steps_s, steps_s = level.seen_s, counter.seen_s
    after = np.clip(np.searchsorted(level_steps_s, steps_s), 1, max(len(level_steps_s) - 1, 1))
    nearest = np.clip(np.column_stack([after - 1, after]), 0, len(level_steps_s) - 1)
    apart_s = np.min(np.abs(level_steps_s[nearest] - steps_s[:, None]), axis=1)
    look_s = max(series.poll_s, series.look_s["level_pct"], _LEVEL_EVERY_S)
    return bool(np.mean(apart_s <= 2 * look_s) > 0.8)
