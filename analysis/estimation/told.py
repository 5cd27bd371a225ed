"""Current as its readings tell it, before sleep is taken into account."""

from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from analysis.estimation.profile import Bools, Floats, Indices, wider
from analysis.estimation.scatter import scatter
from analysis.readings.freshness import changed
from analysis.readings.refresh import refreshes
from analysis.readings.sleep import slept_s

_N_HOLDS = 5
_LEAST_AWAKE_RATIO = 0.1
_STRAY_RATIO = 0.3
"""How far each refresh strays from its neighbours' time, against how uncertain that is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asleep:
    """When the phone slept, begin and end of each stretch, (n, 2), and what it drew then."""

    stretches_s: Floats
    sleep_ma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Current out of the battery, straight within adjoining intervals.

    Attributes:
        edges_s: ascending, (k + 1,).
        start_ma: current just after each edge but the last, (k,).
        end_ma: current just before each edge but the first, (k,).
        spans: numbers of the edges between which the doubts are told, ascending, (m + 1,).
        sampling_mas2: variance of each span's charge, by what lies between readings, (m,).
        other_mas2: the same by gaps and by when a reading was new, (m,).
        gamma_ma2: half the mean squared difference between neighbouring currents, (m,).
    """

    edges_s: Floats
    start_ma: Floats
    end_ma: Floats
    spans: Indices
    sampling_mas2: Floats
    other_mas2: Floats
    gamma_ma2: Floats

    @classmethod
    def plain(cls, edges_s: Floats, start_ma: Floats, end_ma: Floats) -> Self:
        """A current without doubt so far, each interval a span."""
        nothing = np.zeros(len(start_ma))
        return cls(
            edges_s=edges_s,
            start_ma=start_ma,
            end_ma=end_ma,
            spans=np.arange(len(edges_s)),
            sampling_mas2=nothing,
            other_mas2=nothing,
            gamma_ma2=nothing,
        )

    @classmethod
    def live(cls, edges_s: Floats, nodes_ma: Floats, spans: Indices, unread: Bools) -> Self:
        """Live readings, straight from each to the next, with what may lie between them.

        Args:
            edges_s: when they were, ascending, (k + 1,).
            nodes_ma: what they said, (k + 1,).
            spans: by which the doubt is told, (m + 1,).
            unread: which intervals were not read without a break, (k,).
        """
        near, gamma, missed = scatter(edges_s, nodes_ma, ~unread)
        width_s, lead = np.diff(edges_s[spans]), spans[:-1]
        return cls(
            edges_s=edges_s,
            start_ma=nodes_ma[:-1],
            end_ma=nodes_ma[1:],
            spans=spans,
            # Of intervals equally long, each by its own square.
            sampling_mas2=width_s**2 / np.diff(spans) * near.at(missed, lead),
            other_mas2=np.zeros(len(lead)),
            gamma_ma2=near.at(gamma, lead),
        )

    @property
    def width_s(self) -> Floats:
        """Length of each span, (m,)."""
        return np.diff(self.edges_s[self.spans])

    def at_spans(self, holds: Bools) -> Bools:
        """Of a condition that intervals of one span share, whether each span fulfils it, (m,)."""
        return holds[self.spans[:-1]]

    def span_of(self, index: Indices) -> Indices:
        """To which span intervals belong."""
        return np.searchsorted(self.spans, index, side="right") - 1

    def stretched(self, first_s: float, last_s: float) -> Self:
        """The same with its outermost values held to the ends given; each interval a span."""
        before = bool(first_s < self.edges_s[0])
        after = bool(last_s > self.edges_s[-1])
        if not (before or after):
            return self
        n_wanted = (int(before), int(after))
        level = (self.start_ma[0], self.end_ma[-1])
        return replace(
            self,
            edges_s=np.concatenate([[first_s] * before, self.edges_s, [last_s] * after]),
            start_ma=np.pad(self.start_ma, n_wanted, constant_values=level),
            end_ma=np.pad(self.end_ma, n_wanted, constant_values=level),
            spans=np.arange(len(self.edges_s) + sum(n_wanted)),
            sampling_mas2=np.pad(self.sampling_mas2, n_wanted),
            other_mas2=np.pad(self.other_mas2, n_wanted),
            gamma_ma2=np.pad(self.gamma_ma2, n_wanted),
        )

    def cut(self, at_s: Floats) -> tuple[Self, Indices]:
        """The same with more edges, each a border of spans; to which old interval new ones belong.

        Args:
            at_s: moments inside it.
        """
        edges_s = np.unique(np.concatenate([self.edges_s, at_s]))
        old = np.searchsorted(self.edges_s, edges_s[:-1], side="right") - 1
        slope = (self.end_ma - self.start_ma)[old] / np.diff(self.edges_s)[old]
        origin_s = self.edges_s[old]
        known_s = self.edges_s[self.spans]
        span_s = np.unique(np.concatenate([known_s, at_s]))
        old_span = np.searchsorted(known_s, span_s[:-1], side="right") - 1
        share = np.diff(span_s) / self.width_s[old_span]
        finer = replace(
            self,
            edges_s=edges_s,
            start_ma=self.start_ma[old] + slope * (edges_s[:-1] - origin_s),
            end_ma=self.start_ma[old] + slope * (edges_s[1:] - origin_s),
            spans=np.searchsorted(edges_s, span_s),
            sampling_mas2=self.sampling_mas2[old_span] * share,
            other_mas2=self.other_mas2[old_span] * share,
            gamma_ma2=self.gamma_ma2[old_span],
        )
        return finer, old

    def together(self, spans: Indices) -> Self:
        """The same with doubts told by wider spans, of intervals that are spans each."""
        if len(spans) == len(self.spans):
            return self
        gamma = np.add.reduceat(self.gamma_ma2 * self.width_s, spans[:-1])
        return replace(
            self,
            spans=spans,
            sampling_mas2=np.add.reduceat(self.sampling_mas2, spans[:-1]),
            other_mas2=np.add.reduceat(self.other_mas2, spans[:-1]),
            gamma_ma2=gamma / np.diff(self.edges_s[spans]),
        )


def held(
    times: Floats, outward: Floats, hold_s: float, poll_s: float, asleep: Asleep | None = None
) -> Told:
    """Steps that end where a value was first seen, less half the time to the reading before.

    Each new value is the mean over `hold_s` before it was refreshed; earlier than that, and after
    the last one, the value before goes on. They should be means, but a cache may as well hold the
    reading of one moment: nothing tells, so they are in doubt as if it did.

    Args:
        times: of the readings, ascending, (n,).
        outward: current out of the battery, (n,).
        hold_s: for how long the source repeats a value.
        poll_s: between readings.
        asleep: where values are known to be means, sleep included; then awake is the rest.
    """
    news = np.flatnonzero(changed(outward))
    if not len(news):
        return Told.plain(times[[0, -1]], outward[:1], outward[:1])
    since_s = np.minimum(times[news] - times[news - 1], hold_s)
    seen_s, seen_u_s, in_time = refreshes(times[news] - since_s, times[news], hold_s)
    value = outward[news]
    begin_s = np.maximum(seen_s - hold_s, np.concatenate([times[:1], seen_s[:-1]]))
    mixed_mas2 = np.zeros(len(value))
    if asleep is not None:
        slept = slept_s(asleep.stretches_s, seen_s) - slept_s(asleep.stretches_s, seen_s - hold_s)
        awake_s = np.maximum(hold_s - slept, _LEAST_AWAKE_RATIO * hold_s)
        mixed = value
        value = np.where(slept > 0, (mixed * hold_s - asleep.sleep_ma * slept) / awake_s, mixed)
        # Which part of it was awake is known as well as the window's place is.
        unplaced = np.minimum(seen_u_s / awake_s, 1.0)
        mixed_mas2 = ((value - mixed) * unplaced * awake_s) ** 2
        # Refreshed between two readings of an awake phone: it slept before, and was awake last.
        slept_by = slept_s(asleep.stretches_s, times)
        seen_awake = slept_by[news] == slept_by[news - 1]
        begin_s = np.where(seen_awake & (slept > 0), seen_s - awake_s, begin_s)
    previous = np.concatenate([outward[:1], value[:-1]])
    edges = np.column_stack([begin_s, seen_s]).ravel()
    levels = np.column_stack([previous, value]).ravel()
    # Windows that are early or late together hardly matter but for the first and the last one.
    alone_u_s = np.where(in_time, _STRAY_RATIO, 1.0) * np.minimum(seen_u_s, poll_s / np.sqrt(12.0))
    stamp = (value - previous) ** 2 * alone_u_s**2
    near, *doubts = scatter(seen_s, value, ~wider(seen_s, _N_HOLDS * hold_s))
    gamma, missed = (
        np.repeat(np.append(x[:1], x), 2) for x in (near.everywhere(each) for each in doubts)
    )
    edges = np.concatenate([times[:1], edges, times[-1:]])
    levels = np.append(levels, outward[-1])
    variance = np.append(np.column_stack([np.zeros(len(news)), stamp + mixed_mas2]).ravel(), 0.0)
    real = np.diff(edges) > 0
    told = Told.plain(np.append(edges[:-1][real], edges[-1]), levels[real], levels[real])
    gamma, missed = (np.append(x, x[-1:])[real] for x in (gamma, missed))
    width_s = told.width_s
    return replace(
        told,
        other_mas2=variance[real],
        # A value that stays for longer was read anew, and was the same, each time.
        sampling_mas2=width_s * np.minimum(width_s, hold_s) * missed,
        gamma_ma2=gamma,
    )
