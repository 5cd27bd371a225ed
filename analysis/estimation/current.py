"""The current of a phone as its readings tell it, and when there were none."""

from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from analysis.estimation.gaps import bridged
from analysis.estimation.profile import Bools, Floats, Indices, n_per_second
from analysis.estimation.told import Asleep, Told, held
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps, slept_s, spanned, within
from analysis.readings.unread import frozen, silent

WINDOW_S = 0.3
"""Gauges that look so often average over the time in between; common practice, no source."""

_OF_MEANS = 0.01
"""Variance of their sum against that of moments."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """Intervals of which there are no readings to go by, (k,) each: no two of them hold together.

    Attributes:
        gap: nothing was read.
        stuck: nothing new was read.
        asleep: the phone slept for some of the time.
    """

    gap: Bools
    stuck: Bools
    asleep: Bools

    @classmethod
    def of(
        cls, series: Series, times: Floats, edges: Floats, stretches: Floats, stuck_s: Floats
    ) -> Self:
        """Which of the intervals between edges they are."""
        asleep, stuck = _sleeping(stretches, edges), spanned(stuck_s, edges)
        stuck &= ~asleep
        return cls(gap=silent(series, times, edges) & ~asleep & ~stuck, stuck=stuck, asleep=asleep)

    @property
    def any_of_them(self) -> Bools:
        """All intervals that were not read."""
        return self.gap | self.stuck | self.asleep


def told_by(series: Series, *, means: bool) -> tuple[Told, Unread]:
    """The current of a whole series, and where it was not read.

    Args:
        series: the readings.
        means: whether a held current is known to be a mean, sleep included.
    """
    stretches, stuck_s = sleeps(series), frozen(series)
    stuck_s = stuck_s[np.diff(slept_s(stretches, stuck_s.ravel()).reshape(-1, 2))[:, 0] == 0]
    hold_s = series.current_hold_s
    if hold_s is None:
        told, unread = _live(series, stretches, stuck_s)
    else:
        told, unread = _held(series, stretches, stuck_s, hold_s, means=means)
    may_sleep = not series.has("awake_s")
    return bridged(told, unread.gap, unread.stuck, may_sleep=may_sleep), unread


def _live(series: Series, stretches: Floats, stuck_s: Floats) -> tuple[Told, Unread]:
    """The current told by live readings, and where there were none."""
    times, inward = series.known("current_ma")
    kept = ~_just_woken(times, stretches)
    if len(stuck_s):
        kept &= ~within(stuck_s, times) | np.isin(times, stuck_s[:, 1])
    edges, nodes = (times, -inward) if kept.all() else (times[kept], -inward[kept])
    n_wanted = (int(series.t_s[0] < edges[0]), int(series.t_s[-1] > edges[-1]))
    if any(n_wanted):
        edges = np.concatenate([series.t_s[: n_wanted[0]], edges, series.t_s[-1:][: n_wanted[1]]])
        nodes = np.pad(nodes, n_wanted, mode="edge")
    unread = Unread.of(series, times, edges, stretches, stuck_s)
    alone = unread.any_of_them
    return Told.live(edges, nodes, _spans(edges, alone), alone), unread


def _held(
    series: Series, stretches: Floats, stuck_s: Floats, hold_s: float, *, means: bool
) -> tuple[Told, Unread]:
    """The same by readings that are held for a while."""
    times, inward = series.known("current_ma")
    known = Asleep(stretches_s=stretches, sleep_ma=series.gains.sleep_ma)
    short = hold_s <= WINDOW_S
    told = held(times, -inward, hold_s, series.poll_s, known if means or short else None)
    if short:
        told = replace(told, sampling_mas2=_OF_MEANS * told.sampling_mas2)
    told = told.stretched(series.t_s[0], series.t_s[-1])
    unread = Unread.of(series, times, told.edges_s, stretches, stuck_s)
    return told.together(_spans(told.edges_s, unread.any_of_them)), unread


def _spans(edges_s: Floats, unread: Bools) -> Indices:
    """Numbers of the edges between spans: all; of very close ones, one in a second.

    An interval that was not read is a span of its own.
    """
    begins = np.zeros(len(edges_s), dtype=bool)
    begins[:: n_per_second(edges_s)] = begins[-1] = True
    begins[:-1] |= unread
    begins[1:] |= unread
    return np.flatnonzero(begins)


def _just_woken(times: Floats, stretches: Floats) -> Bools:
    """Readings whose window reaches back into a sleep, where a later one tells of being awake."""
    if not len(stretches):
        return np.zeros(len(times), dtype=bool)
    number = np.searchsorted(stretches[:, 1], times)
    first, last = (np.searchsorted(number, number, side=side) for side in ("left", "right"))
    awake_s = times[first] + WINDOW_S
    woken: Bools = (number > 0) & (times < awake_s) & (times[last - 1] >= awake_s)
    return woken


def _sleeping(stretches: Floats, edges_s: Floats) -> Bools:
    """In which intervals the phone slept for a while, (k,)."""
    if not len(stretches):
        return np.zeros(len(edges_s) - 1, dtype=bool)
    slept: Bools = np.diff(slept_s(stretches, edges_s)) > 0
    return slept
