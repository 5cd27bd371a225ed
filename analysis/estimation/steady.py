"""The flow of a phone whose current was not read: even between moments of known charge."""

from dataclasses import dataclass
from typing import Self

import numpy as np

from analysis.estimation.flow import Flow
from analysis.estimation.profile import S_PER_H, Curve, Floats
from analysis.estimation.voltage import blur_of, excess_mw, voltage_mwh2
from analysis.readings.series import Series
from analysis.readings.sleep import sleeps, slept_s, within

_MOST_ASLEEP_RATIO = 0.8
_LEAST_SPLIT_RATIO = 0.1
_LEAST_AWAKE_S = 1e-3
_ROUNDED = 1.2
"""A few steps divide less certainly than their charge says, by so much of one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """Between neighbouring moments of known charge, and before and after them, (n + 1,) each.

    Attributes:
        awake_ma: current while awake.
        asleep_ma: current while asleep.
        split_mah2_per_s: variance of the charge by how it divides, per second awake.
    """

    awake_ma: Floats
    asleep_ma: Floats
    split_mah2_per_s: Floats

    @classmethod
    def between(
        cls, step_mah: Floats, awake_s: Floats, asleep_s: Floats, sleep_ma: float, lsb_mah: float
    ) -> Self:
        """The little that a sleeping phone draws, and the rest evenly over the time awake."""
        inner_s = np.maximum(awake_s[1:-1], _LEAST_AWAKE_S)
        usual_mah = sleep_ma * asleep_s[1:-1] / S_PER_H
        slept_mah = np.minimum(usual_mah, _MOST_ASLEEP_RATIO * np.abs(step_mah))
        share = np.divide(slept_mah, usual_mah, out=np.ones_like(usual_mah), where=usual_mah > 0)
        rate_ma = (step_mah - slept_mah) / inner_s * S_PER_H
        rate_ma = np.concatenate([[np.mean(rate_ma[:3])], rate_ma, [np.mean(rate_ma[-3:])]])
        beyond_mah = rate_ma[[0, -1]] * awake_s[[0, -1]] / S_PER_H
        split_mah2 = np.square(
            np.concatenate(
                [
                    beyond_mah[:1] / np.sqrt(3.0),
                    _split_ratio(rate_ma) * np.hypot(step_mah, _ROUNDED * lsb_mah) / np.sqrt(3.0),
                    beyond_mah[1:] / np.sqrt(3.0),
                ]
            )
        )
        return cls(
            awake_ma=rate_ma,
            asleep_ma=sleep_ma * np.concatenate([[1.0], share, [1.0]]),
            split_mah2_per_s=split_mah2 / np.maximum(awake_s, _LEAST_AWAKE_S),
        )


def _split_ratio(rate_ma: Floats) -> Floats:
    """How unevenly a step's charge may lie in its time: by its own rate and its neighbours', (n,).

    An activity may begin or end within it. Of two rates, one after the other, the charge at the
    middle is off by at most half their difference over their sum.
    """
    three = np.abs([rate_ma[:-2], rate_ma[1:-1], rate_ma[2:]])
    most, least = three.max(axis=0), three.min(axis=0)
    ratio = np.divide(most - least, most + least, out=np.ones_like(most), where=most > 0)
    result: Floats = np.maximum(ratio, _LEAST_SPLIT_RATIO)
    return result


def steady_flow(
    series: Series, anchor_s: Floats, anchor_mah: Floats, ohm: float | None = None
) -> Flow:
    """The flow where no current was read: even between the moments at which a charge is known.

    Args:
        series: for the voltage, the sleep and the ends.
        anchor_s: ascending moments, at least two.
        anchor_mah: charge taken out by then.
        ohm: resistance, where it is known from a current after all.
    """
    stretches, voltage_s = sleeps(series), series.voltages()[0]
    ends_s = series.t_s[[0, -1]]
    edges = np.unique(np.concatenate([ends_s, voltage_s, anchor_s, stretches.ravel()]))
    width_s, middle = np.diff(edges), (edges[:-1] + edges[1:]) / 2
    knots = np.concatenate([edges[:1], anchor_s, edges[-1:]])
    asleep_s = np.diff(slept_s(stretches, knots))
    drawn = _Drawn.between(
        np.diff(anchor_mah),
        np.diff(knots) - asleep_s,
        asleep_s,
        series.gains.sleep_ma,
        series.counter_lsb_mah or 0.0,
    )
    at = np.clip(np.searchsorted(knots, middle, side="right") - 1, 0, len(knots) - 2)
    asleep = within(stretches, middle)
    measured = (middle > anchor_s[0]) & (middle < anchor_s[-1])
    level = np.where(asleep, drawn.asleep_ma[at], drawn.awake_ma[at])
    current = Curve(edges_s=edges, start=level, end=level)
    volts = series.voltage_at(edges) / 1000
    mean_v = (volts[:-1] + volts[1:]) / 2
    seen = blur_of(series, current, np.empty((0, 2)), read=False, ohm=ohm)
    # Asleep nothing is read: the voltage is what it was awake, less what the load took off.
    wakeful = asleep_s == 0
    if asleep.any() and wakeful.any():
        knot_s = (knots[1:] + knots[:-1])[wakeful] / 2
        load_ma = np.interp(middle, knot_s, drawn.awake_ma[wakeful])
        mean_v = np.where(asleep, mean_v + seen.ohm * load_ma / 1000, mean_v)
    start_v, end_v = (np.where(asleep, mean_v, x) for x in (volts[:-1], volts[1:]))
    excess = excess_mw(seen, middle, level, mean_v, asleep | ~measured)
    asleep_mah2 = (level * width_s / S_PER_H) ** 2
    nothing = np.zeros(len(width_s))
    return Flow(
        current=current,
        power=Curve(edges_s=edges, start=level * start_v, end=level * end_v),
        span_s=edges,
        mean_v=mean_v,
        sampling_mah2=nothing,
        other_mah2=np.where(asleep, asleep_mah2, drawn.split_mah2_per_s[at] * width_s),
        sampling_mwh2=voltage_mwh2(series, edges, level),
        asleep_s=np.where(asleep, width_s, 0.0),
        measured=measured,
        gamma_ma2=nothing,
        blurred_mwh=excess * width_s / S_PER_H,
        blur_doubt_ratio=seen.doubt_ratio,
        ohm=seen.ohm,
        even_s=np.unique(knots),
    )
