"""Moments at which a counter stepped: there the charge is known to a fraction of a step."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.freshness import changed
from analysis.profile import Floats

_LEAST_U_RATIO = 0.01
LEAST_JUMP_MAH = 1.2
"""A short burst between two readings can look like a smaller jump."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchors:
    """Known charges.

    Attributes:
        t_s: strictly ascending, (n,).
        charge_mah: taken out of the battery, from an unknown zero, (n,).
        u_mah: standard uncertainty of each, independent, (n,).
        n_steps: how many of them are steps; the first and the last reading may be none.
        n_jumps: steps that no current explains, taken out.
        jump_s: when they were.
    """

    t_s: Floats
    charge_mah: Floats
    u_mah: Floats
    n_steps: int
    n_jumps: int = 0
    jump_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """How a counter is looked at.

    Attributes:
        step_mah: its smallest step.
        look_s: how often it is brought up to date.
        poll_s: how often it is read while the phone is awake.
        charge_mah: charge taken out up to given moments by the current; None if it was not read.
    """

    step_mah: float
    look_s: float
    poll_s: float
    charge_mah: Callable[[Floats], Floats] | None = None


def find_anchors(t_s: Floats, value_mah: Floats, looks: Looks) -> Anchors:
    """The anchors that a counter's readings hold.

    When a falling counter is first seen one step lower, it fell some time since the reading
    before (or, in a cache, since the cache was last filled): it has overshot the step by what was
    drawn since, between nothing and all of that, and never by more than a step.

    Args:
        t_s: when the counter was read, ascending, (n,).
        value_mah: what it read, falling while discharging, (n,).
        looks: how it is looked at.
    """
    step_mah = looks.step_mah
    news = np.flatnonzero(changed(value_mah))
    since_s = t_s[news] - t_s[news - 1]
    cached = looks.look_s > 1.5 * looks.poll_s
    late_s = np.minimum(since_s, looks.look_s) if cached else np.zeros(len(news))
    # What was read last before a pause may itself have been in the cache for a while.
    paused_s = np.where(since_s > 1.5 * looks.poll_s, since_s, 0.0)
    blind_s = np.maximum(since_s, looks.look_s + paused_s if cached else 0.0)
    drawn_mah = _drawn_mah(t_s, value_mah, news, blind_s, looks)
    late_mah = drawn_mah * late_s / blind_s
    overshoot_mah = np.minimum(step_mah, drawn_mah)
    fell = value_mah[news] < value_mah[news - 1]
    charge = np.where(fell, overshoot_mah / 2 - step_mah, -overshoot_mah / 2) - value_mah[news]
    variance = (overshoot_mah**2 + late_mah**2) / 12
    ends = [k for k in (0, len(t_s) - 1) if k not in news]
    times = np.concatenate([t_s[news] - late_s / 2, t_s[ends]])
    charge = np.concatenate([charge, -value_mah[ends] - step_mah / 2])
    u_mah = np.concatenate([np.sqrt(variance), np.full(len(ends), step_mah / np.sqrt(12.0))])
    _, order = np.unique(times, return_index=True)
    return Anchors(
        t_s=times[order],
        charge_mah=charge[order],
        u_mah=np.maximum(u_mah[order], _LEAST_U_RATIO * step_mah),
        n_steps=len(news),
    )


def _drawn_mah(
    t_s: Floats,
    value_mah: Floats,
    news: npt.NDArray[np.intp],
    blind_s: Floats,
    looks: Looks,
) -> Floats:
    """Charge drawn while nobody looked, before each step was seen.

    Without a current it goes by the quicker of the steps before and after: an activity may just
    have begun or ended.
    """
    if looks.charge_mah is not None:
        seen_s = t_s[news]
        drawn: Floats = np.abs(looks.charge_mah(seen_s) - looks.charge_mah(seen_s - blind_s))
        return drawn
    steps_mah = np.abs(np.diff(value_mah[news]))
    rate = np.divide(steps_mah, np.diff(t_s[news]))
    if len(rate) == 0:
        return np.full(len(news), looks.step_mah)
    before, after = np.insert(rate, 0, rate[0]), np.append(rate, rate[-1])
    quicker: Floats = np.maximum(before, after) * blind_s
    return quicker


def without_jumps(
    anchors: Anchors, expected_mah: Floats | None, u_mah: Floats, step_mah: float
) -> Anchors:
    """Takes out steps that the current cannot explain: the gauge corrected its own count.

    Args:
        anchors: to be looked through.
        expected_mah: charge between neighbouring anchors by the current; None if it was not read:
            then only a count that goes backwards is a jump, (n - 1,).
        u_mah: standard uncertainty of that, (n - 1,).
        step_mah: the counter's smallest step.
    """
    counted = np.diff(anchors.charge_mah)
    if expected_mah is None:
        excess = np.minimum(counted, 0.0)
        limit = np.full(len(excess), 2.0 * step_mah)
    else:
        excess = counted - expected_mah
        sigma = np.sqrt(anchors.u_mah[1:] ** 2 + anchors.u_mah[:-1] ** 2 + u_mah**2)
        limit = 6 * sigma + 1.05 * step_mah + 0.02 * np.abs(expected_mah)
        limit = np.maximum(limit, max(2 * step_mah, LEAST_JUMP_MAH))
    jumped = np.abs(excess) > limit
    if not jumped.any():
        return anchors
    moved = np.concatenate([[0.0], np.cumsum(np.where(jumped, excess, 0.0))])
    return replace(
        anchors,
        charge_mah=anchors.charge_mah - moved,
        n_jumps=int(jumped.sum()),
        jump_s=tuple(float(t) for t in anchors.t_s[1:][jumped]),
    )
