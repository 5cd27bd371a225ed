"""Functions of time that are straight between given moments, and their exact integrals."""

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]

S_PER_H = 3600.0
N_AT_ONCE = min(os.cpu_count() or 1, 4)
"""Phones that are worked on side by side; caches by series hold as many."""
_NEIGHBOURHOOD_S = 60.0, 300.0
_CLOSE_S = 0.4
_N_LEAST, _N_ENOUGH = 10, 100
_ALIKE, _ROUNDING = 50, 1e-6
_N_AT_A_TIME = 131_072
_N_TELL = 20_000
_NUMBERS = np.arange(_N_TELL)
_SPREAD = _NUMBERS + _NUMBERS * 0.6180339887498949 % 1.0
"""Spacings by the golden ratio keep time with nothing."""


@dataclass(frozen=True, kw_only=True)
class Curve:
    """A function straight between edges; it may jump at them, and is nothing outside.

    Attributes:
        edges_s: ascending, (k + 1,).
        start: value just after each edge but the last, (k,).
        end: value just before each edge but the first, (k,).
        spans: numbers of the edges at which its running integral is kept, the first and the last
            among them, ascending, (m + 1,); None for all.
    """

    edges_s: Floats
    start: Floats
    end: Floats
    spans: Indices | None = None

    def ends(self, which: slice | Indices) -> tuple[Floats, Floats]:
        """Values at both ends of some intervals."""
        return self.start[which], self.end[which]

    @cached_property
    def running(self) -> Floats:
        """Integral from the first edge to each one kept, (m + 1,), in the unit times hours."""
        spans, total = self._spans, np.empty(len(self._spans))
        total[0] = 0.0
        for some in parts(len(spans) - 1, _N_AT_A_TIME * len(spans) // len(self.edges_s)):
            first, last = spans[some.start], spans[some.stop]
            pieces = self._twice(slice(first, last))
            np.add.reduceat(pieces, spans[some] - first, out=total[1:][some])
        np.cumsum(total, out=total)
        total *= 0.5 / S_PER_H
        return total

    def integral(self, at_s: Floats) -> Floats:
        """Integral from the first edge to each moment, (n,), in the same unit."""
        edges = self.edges_s
        inside_s = np.clip(at_s, edges[0], edges[-1])
        index = np.clip(np.searchsorted(edges, inside_s, side="right") - 1, 0, len(edges) - 2)
        into_s = inside_s - edges[index]
        start, end = self.ends(index)
        slope = (end - start) / (edges[index + 1] - edges[index])
        twice = into_s * (2 * start + slope * into_s)
        span = np.searchsorted(self._spans, index, side="right") - 1
        behind = index - self._spans[span]
        if behind.any():
            whose = np.repeat(np.arange(len(index)), behind)
            before = np.arange(len(whose)) - (np.cumsum(behind) - index)[whose]
            twice += np.bincount(whose, self._twice(before), minlength=len(index))
        result: Floats = self.running[span] + twice * (0.5 / S_PER_H)
        return result

    def _twice(self, which: slice | Indices) -> Floats:
        """Twice the integral over intervals, in the unit times seconds."""
        start, end = self.ends(which)
        return (start + end) * (self.edges_s[1:][which] - self.edges_s[:-1][which])

    @cached_property
    def _spans(self) -> Indices:
        return np.arange(len(self.edges_s)) if self.spans is None else self.spans


@dataclass(frozen=True, kw_only=True)
class Product(Curve):
    """A function straight between products at edges.

    Attributes:
        start_by: what `start` is multiplied with, (k,).
        end_by: what `end` is multiplied with, (k,).
    """

    start_by: Floats
    end_by: Floats

    def ends(self, which: slice | Indices) -> tuple[Floats, Floats]:
        """Values at both ends of some intervals."""
        start, end = super().ends(which)
        return start * self.start_by[which], end * self.end_by[which]


def cumulative(edges_s: Floats, start: Floats, end: Floats, at_s: Floats) -> Floats:
    """Integral of such a function from the first edge to each moment, in its unit times hours."""
    return Curve(edges_s=edges_s, start=start, end=end).integral(at_s)


def spread(edges_s: Floats, amount: Floats, at_s: Floats) -> Floats:
    """Running total, from the first edge to each moment, of amounts spread evenly over intervals.

    Args:
        edges_s: ascending, (k + 1,).
        amount: of each interval, (k,).
        at_s: moments, (n,).
    """
    result: Floats = np.interp(at_s, edges_s, running(amount))
    return result


def parts(n: int, n_each: int) -> Iterator[slice]:
    """So many of n values at a time: what is done to them then stays in the processor's cache."""
    for begin in range(0, n, max(n_each, 1)):
        yield slice(begin, min(begin + max(n_each, 1), n))


def wider(t_s: Floats, limit_s: float) -> Bools:
    """Whether neighbouring moments are further apart, (k,) for (k + 1,)."""
    result = np.empty(max(len(t_s) - 1, 0), dtype=np.bool_)
    for some in parts(len(result), _N_AT_A_TIME):
        np.greater(t_s[1:][some] - t_s[:-1][some], limit_s, out=result[some])
    return result


def running(amount: Floats) -> Floats:
    """Sums of the first none, one, two ... of k amounts, (k + 1,)."""
    total = np.empty(len(amount) + 1)
    total[0] = 0.0
    np.cumsum(amount, out=total[1:])
    return total


def enough_of(n: int) -> slice | Indices:
    """Which of n values tell what is usual among them: all; of very many, a part.

    The part is spread over all of them at spacings that keep time with nothing.
    """
    return slice(None) if n <= _N_TELL else (_SPREAD * (n / (_N_TELL + 1))).astype(np.intp)


def enough_that(hold: Bools) -> Indices:
    """The same of those that fulfil a condition."""
    n = int(np.count_nonzero(hold))
    some = enough_of(n)
    if n == len(hold) and not isinstance(some, slice):
        return some
    return np.flatnonzero(hold)[some]


def usual(values: Floats, ratio: float = 0.5) -> float:
    """A quantile, the median unless told otherwise; of enough of the values."""
    return float(np.quantile(values[enough_of(len(values))], ratio))


def usual_spacing(t_s: Floats, ratio: float = 0.5) -> float:
    """The same of the spacings between moments, at least two."""
    some = enough_of(len(t_s) - 1)
    return float(np.quantile(t_s[1:][some] - t_s[:-1][some], ratio))


def n_per_second(t_s: Floats) -> int:
    """How many moments that follow each other very closely make a second; 1 of others."""
    usual_s = usual_spacing(t_s) if len(t_s) > 1 else np.inf
    return math.ceil(1 / usual_s) if usual_s < _CLOSE_S else 1


def around(t_s: Floats) -> int:
    """How many moments on each side make a neighbourhood: a minute or more, ten at least.

    A hundred will do, so that what one activity does is not taken for the next one's; but no more
    than five minutes of them.
    """
    spacing_s = max((t_s[-1] - t_s[0]) / max(len(t_s) - 1, 1) if len(t_s) else 1.0, 1e-3)
    near_s = float(np.clip(_N_ENOUGH * spacing_s, *_NEIGHBOURHOOD_S))
    return max(_N_LEAST, round(near_s / spacing_s))


def local_mean(values: Floats, n_around: int) -> Floats:
    """Mean over each value and its neighbours, `n_around` on each side, fewer at the ends."""
    n = len(values)
    total = running(values)
    reach = min(n_around, n)
    result = np.empty(n)
    if n > 2 * reach:
        inner = result[reach : n - reach]
        np.subtract(total[2 * reach + 1 :], total[: n - 2 * reach], out=inner)
        inner /= 2 * reach + 1
        ends = np.concatenate([np.arange(reach), np.arange(n - reach, n)])
    else:
        ends = np.arange(n)
    low, high = np.maximum(ends - reach, 0), np.minimum(ends + reach + 1, n)
    result[ends] = (total[high] - total[low]) / (high - low)
    return result


def _steps(values: Floats, which: slice, ahead: int, lag: int) -> Floats:
    """Steps over `lag` values from those of a slice, moved `ahead`."""
    first, after = which.start + ahead, which.stop + ahead
    steps: Floats = values[first + lag : after + lag] - values[first:after]
    return steps


def block_sums(one: Floats, other: Floats, n_each: int) -> Floats:
    """Sums of products over blocks of so many values each, the last of fewer, without a copy."""
    n_whole = len(one) // n_each * n_each
    whole: Floats = np.einsum(
        "ij,ij->i", one[:n_whole].reshape(-1, n_each), other[:n_whole].reshape(-1, n_each)
    )
    if n_whole == len(one):
        return whole
    return np.append(whole, one[n_whole:] @ other[n_whole:])


@dataclass(frozen=True, slots=True, kw_only=True)
class Locally:
    """Means about each of n values, the same for a few of them, since it hardly differs.

    Attributes:
        n: how many values.
        n_around: over how many on each side, fewer at the ends.
    """

    n: int
    n_around: int

    @property
    def n_each(self) -> int:
        """How many values share a mean."""
        return max(self.n_around // _ALIKE, 1)

    @property
    def middle(self) -> Indices:
        """Which value stands in the middle of those that share each of m means, (m,)."""
        first = np.arange(0, self.n, self.n_each)
        return (first + np.minimum(first + self.n_each, self.n) - 1) // 2

    def products(
        self,
        one: Floats,
        other: Floats,
        good: Bools,
        *,
        lag: int = 1,
        ahead: tuple[int, int] = (0, 0),
    ) -> Floats:
        """Means of the products of two quantities' steps where they are good, 0 where none, (m,).

        Args:
            one: a quantity.
            other: another one, or the same.
            good: which products count, the n or the first of them. The one numbered i is of the
                steps from `one[i + ahead[0]]` and `other[i + ahead[1]]`.
            lag: over how many values a step goes.
            ahead: see there.
        """
        total, number = np.zeros((2, -(-self.n // self.n_each)))
        every, same = bool(good.all()), one is other and ahead[0] == ahead[1]
        for some in parts(len(good), max(_N_AT_A_TIME // self.n_each, 1) * self.n_each):
            steps = _steps(one, some, ahead[0], lag)
            others = steps if same else _steps(other, some, ahead[1], lag)
            if not every:
                steps *= good[some]
            sums = block_sums(steps, others, self.n_each)
            first = some.start // self.n_each
            total[first : first + len(sums)] = sums
        begins = np.arange(0, len(good), self.n_each)
        number[: len(begins)] = (
            np.diff(begins, append=len(good))
            if every
            else np.add.reduceat(good.astype(np.float64), begins)
        )
        reach = max(self.n_around // self.n_each, 1)
        total, number = local_mean(total, reach), local_mean(number, reach)
        # What cumulative sums leave behind by rounding is not a number.
        return np.divide(total, number, out=np.zeros_like(total), where=number > _ROUNDING)

    def at(self, means: Floats, index: Indices) -> Floats:
        """Such means at some of the n values."""
        return means[index // self.n_each]

    def everywhere(self, means: Floats) -> Floats:
        """Such means as often as values share them, (n,)."""
        return means if self.n_each == 1 else np.repeat(means, self.n_each)[: self.n]
