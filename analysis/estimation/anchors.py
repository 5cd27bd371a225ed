"""Moments at which a counter stepped: there the charge is known to a fraction of a step."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.estimation.profile import Floats, Indices, running
from analysis.readings.freshness import Known
from analysis.readings.refresh import Refreshes, refreshes

_LEAST_U_RATIO = 0.01
_LIVE_RATIO = 1.02
_NEAR_S = np.concatenate([np.arange(-15.0, -3.0), np.arange(-3.0, 3.0, 0.2), np.arange(3.0, 15.0)])
"""Moments about a border at which steps are wanted."""

_SPACING_S, _MOST_SPACED = 10.0, 3000


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchors:
    """Known charges.

    Attributes:
        t_s: strictly ascending, (n,).
        charge_mah: taken out of the battery, from an unknown zero, (n,).
        u_mah: standard uncertainty of each, independent, (n,).
        jump_s: moments of those that no current explains, ascending.
    """

    t_s: Floats
    charge_mah: Floats
    u_mah: Floats
    jump_s: tuple[float, ...] = ()


NO_ANCHORS = Anchors(t_s=np.zeros(0), charge_mah=np.zeros(0), u_mah=np.zeros(0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """How a counter is looked at.

    Attributes:
        step_mah: its smallest step.
        look_s: how often it is brought up to date.
        poll_s: how often it is read while the phone is awake.
        charge_mah: charge taken out up to given moments by the current; None if it was not read.
        refreshed: when its source was brought up to date; None if that cannot be seen.
    """

    step_mah: float
    look_s: float
    poll_s: float
    charge_mah: Callable[[Floats], Floats] | None = None
    refreshed: Refreshes | None = None


def find_anchors(counter: Known, looks: Looks, borders_s: Floats | None = None) -> Anchors:
    """The anchors that a counter's readings hold.

    When a falling counter is first seen one step lower, it fell some time since the reading
    before (or, in a cache, since the cache was last filled): it has overshot the step by what was
    drawn since, between nothing and all of that, and never by more than a step.

    Args:
        counter: its readings, in mAh, falling while discharging.
        looks: how it is looked at.
        borders_s: where steps are wanted; elsewhere one in ten seconds, or some thousands in all,
            will do. None for all.
    """
    step_mah = looks.step_mah
    t_s, value_mah = counter.t_s, counter.values
    news = counter.news if borders_s is None else _wanted(counter, borders_s)
    late_s, stamp_s, blind_s = _ages(t_s, news, looks)
    if looks.charge_mah is None:
        drawn_mah = _guessed_mah(t_s, value_mah, news, blind_s, looks.step_mah)
        late_mah = drawn_mah * np.minimum(late_s / blind_s, 1.0)
    else:
        charge_mah = looks.charge_mah(stamp_s)
        drawn_mah = np.abs(charge_mah - looks.charge_mah(stamp_s - blind_s))
        late_mah = np.zeros(len(stamp_s))
        if late_s.any():
            late_mah = np.abs(charge_mah - looks.charge_mah(stamp_s - late_s))
    overshoot_mah = np.minimum(step_mah, drawn_mah)
    fell = value_mah[news] < value_mah[news - 1]
    charge = np.where(fell, overshoot_mah / 2 - step_mah, -overshoot_mah / 2) - value_mah[news]
    variance = (overshoot_mah**2 + late_mah**2) / 12
    # First and last value: somewhere within a step, when their source was last brought up to date.
    end_s = t_s[[0, -1]]
    end_late_s = np.full(2, looks.look_s if looks.look_s > _LIVE_RATIO * looks.poll_s else 0.0)
    if looks.refreshed is not None and len(looks.refreshed.seen_s):
        last = looks.refreshed.last(end_s)
        end_late_s = np.sqrt(12.0) * looks.refreshed.u_s[np.maximum(last, 0)]
        known_s = looks.refreshed.at_s[np.maximum(last, 0)] + end_late_s / 2
        end_s = np.where(last >= 0, known_s, end_s)
    end_mah = (
        0.0
        if looks.charge_mah is None
        else np.abs(looks.charge_mah(end_s) - looks.charge_mah(end_s - end_late_s))
    )
    end_s = end_s - end_late_s / 2
    step_s = stamp_s - late_s / 2
    # Beside a step they would tell nothing new.
    apart_s = np.min(np.abs(np.subtract.outer(end_s, step_s)), axis=1, initial=np.inf)
    kept = (apart_s > max(looks.look_s, looks.poll_s) / 2) & (np.diff(end_s, prepend=-np.inf) > 0)
    end_u_mah = np.sqrt((step_mah**2 + end_mah**2) / 12) * np.ones(2)
    times = np.concatenate([step_s, end_s[kept]])
    charge = np.concatenate([charge, (-value_mah[[0, -1]] - step_mah / 2)[kept]])
    u_mah = np.concatenate([np.sqrt(variance), end_u_mah[kept]])
    _, order = np.unique(times, return_index=True)
    times, charge, u_mah = times[order], charge[order], u_mah[order]
    return Anchors(
        t_s=times, charge_mah=charge, u_mah=np.maximum(u_mah, _LEAST_U_RATIO * step_mah)
    )


def _ages(t_s: Floats, news: Indices, looks: Looks) -> tuple[Floats, Floats, Floats]:
    """Of each new value: how late it may be, against which moment, and since when nobody looked.

    A cache is brought up to date as a whole: where its other value was seen to change after the
    counter's reading before, the counter changed then. And what was read before was as old as the
    cache was then.
    """
    seen_s, before_s = t_s[news], t_s[news - 1]
    since_s = seen_s - before_s
    if looks.look_s <= _LIVE_RATIO * looks.poll_s:
        return np.zeros(len(news)), seen_s, since_s
    late_s = np.minimum(since_s, looks.look_s)
    refreshed = looks.refreshed
    if refreshed is None or not len(refreshed.seen_s):
        # What was read before was up to a whole look old: while readings follow each other
        # closely just that is blind, before a sleep or a gap it comes on top.
        paused_s = np.where(since_s > looks.look_s, since_s, 0.0)
        stamp_s, u_s, _ = refreshes(seen_s - late_s, seen_s, looks.look_s)
        late_s = np.sqrt(12.0) * u_s
        return late_s, stamp_s + late_s / 2, looks.look_s + paused_s
    at = np.maximum(refreshed.last(seen_s), 0)
    told_s = refreshed.seen_s[at]
    # A whole period later it may have been brought up to date once more, just before.
    longest_s = np.where(np.isin(seen_s, refreshed.watched_s), 1.0, -1.5) * looks.poll_s
    known = (told_s > before_s) & (seen_s - told_s < looks.look_s + longest_s)
    # Their common source is late for both: beside the other value it is not late at all.
    late_s = np.where(known, 0.0, late_s)
    stamp_s = np.where(known, refreshed.at_s[at], seen_s)
    at = refreshed.last(before_s)
    known_s = np.where(at >= 0, refreshed.at_s[np.maximum(at, 0)], before_s)
    return late_s, stamp_s, np.maximum(stamp_s - known_s, looks.look_s)


def _wanted(counter: Known, borders_s: Floats) -> Indices:
    """The first step in every few seconds, near a border in each, beside it several in each."""
    news = counter.news
    if not len(news):
        return news
    first_s, last_s = counter.t_s[news[[0, -1]]] - borders_s[0]
    spacing_s = max(_SPACING_S, (last_s - first_s) / _MOST_SPACED)
    number = np.arange(np.floor(first_s / spacing_s), np.floor(last_s / spacing_s) + 1)
    spaced_s = borders_s[0] + spacing_s * number
    near_s = np.add.outer(borders_s, _NEAR_S)
    at = counter.n_new(np.concatenate([spaced_s, near_s.ravel()]))
    wanted = np.zeros(len(news), dtype=np.bool_)
    wanted[at[at < len(news)]] = True
    return news[wanted]


def _guessed_mah(
    t_s: Floats,
    value_mah: Floats,
    news: Indices,
    blind_s: Floats,
    step_mah: float,
) -> Floats:
    """Charge drawn while nobody looked, before each step was seen, where no current was read.

    It goes by the quicker of the steps before and after: an activity may just have begun or ended.
    """
    steps_mah = np.abs(np.diff(value_mah[news]))
    rate = np.divide(steps_mah, np.diff(t_s[news]))
    if len(rate) == 0:
        return np.full(len(news), step_mah)
    before, after = np.insert(rate, 0, rate[0]), np.append(rate, rate[-1])
    quicker: Floats = np.maximum(before, after) * blind_s
    return quicker


def with_jumps(
    anchors: Anchors,
    expected_mah: Floats | None,
    u_mah: Floats,
    step_mah: float,
    least_mah: Floats | float = 0.0,
    more_mah: Floats | float = 0.0,
) -> Anchors:
    """Marks steps that the current cannot explain: the gauge corrected its own count.

    Args:
        anchors: to be looked through.
        expected_mah: charge between neighbouring anchors by the current; None if it was not read:
            then only a count that goes backwards is a jump, (n - 1,).
        u_mah: standard uncertainty of that, (n - 1,).
        step_mah: the counter's smallest step.
        least_mah: a jump that is smaller is taken for a burst between two readings, (n - 1,) or
            one for all.
        more_mah: what may have been drawn beyond what is expected, likewise.
    """
    counted = np.diff(anchors.charge_mah)
    if expected_mah is None:
        jumped = -counted > 2.0 * step_mah
    else:
        sigma = np.sqrt(anchors.u_mah[1:] ** 2 + anchors.u_mah[:-1] ** 2 + u_mah**2)
        limit = 6 * sigma + 1.05 * step_mah + 0.02 * np.abs(expected_mah)
        least = np.maximum(limit, np.maximum(2 * step_mah, least_mah))
        excess = counted - expected_mah
        jumped = (excess > least + more_mah) | (-excess > least)
    return replace(anchors, jump_s=tuple(float(t) for t in anchors.t_s[1:][jumped]))


def without_jumps(anchors: Anchors, awake_s: Floats, asleep_mah: Floats) -> Floats:
    """Charges at the anchors as if the phone had drawn as before when the counter jumped, (n,).

    Args:
        anchors: with their jumps marked.
        awake_s: how long the phone was awake between neighbouring anchors, (n - 1,).
        asleep_mah: what it drew there asleep, (n - 1,).
    """
    steps = np.diff(anchors.charge_mah)
    jumped = np.isin(anchors.t_s[1:], anchors.jump_s)
    if jumped.any() and not jumped.all():
        rate = ((steps - asleep_mah) / np.maximum(awake_s, 1e-3))[~jumped]
        rate = np.interp(anchors.t_s[1:], anchors.t_s[1:][~jumped], np.maximum(rate, 0.0))
        steps = np.where(jumped, rate * awake_s + asleep_mah, steps)
    charge: Floats = anchors.charge_mah[0] + running(steps)
    return charge
