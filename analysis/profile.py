"""Functions of time that are straight between given moments, and their exact integrals."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

S_PER_H = 3600.0


def cumulative(edges_s: Floats, start: Floats, end: Floats, at_s: Floats) -> Floats:
    """Integral, from the first edge to each moment, of a function straight between edges.

    It may jump at an edge. Outside the edges nothing is added.

    Args:
        edges_s: ascending, (k + 1,).
        start: value just after each edge but the last, (k,).
        end: value just before each edge but the first, (k,).
        at_s: moments, (n,).

    Returns:
        In the unit of the values times hours, (n,).
    """
    width_s = np.diff(edges_s)
    whole = np.concatenate([[0.0], np.cumsum((start + end) / 2 * width_s)])
    inside_s = np.clip(at_s, edges_s[0], edges_s[-1])
    index = np.clip(np.searchsorted(edges_s, inside_s, side="right") - 1, 0, len(width_s) - 1)
    into_s = inside_s - edges_s[index]
    slope = (end[index] - start[index]) / width_s[index]
    result: Floats = (whole[index] + into_s * (start[index] + slope * into_s / 2)) / S_PER_H
    return result


def spread(edges_s: Floats, amount: Floats, at_s: Floats) -> Floats:
    """Running total, from the first edge to each moment, of amounts spread evenly over intervals.

    Args:
        edges_s: ascending, (k + 1,).
        amount: of each interval, (k,).
        at_s: moments, (n,).
    """
    total = np.concatenate([[0.0], np.cumsum(amount)])
    result: Floats = np.interp(at_s, edges_s, total)
    return result


def local_mean(values: Floats, n_around: int) -> Floats:
    """Mean over each value and its neighbours, `n_around` on each side, fewer at the ends."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    index = np.arange(len(values))
    low = np.maximum(index - n_around, 0)
    high = np.minimum(index + n_around + 1, len(values))
    result: Floats = (total[high] - total[low]) / (high - low)
    return result
