"""Curves for charts: thinned out without losing an extreme or changing a total."""

from collections.abc import Callable

import numpy as np

from analysis.estimation.flow import flow
from analysis.estimation.profile import Floats, running
from analysis.estimators import power_integral
from analysis.readings.series import Series
from analysis.report import Traces

_MOST_POINTS = 600
_LEAST_S = 60.0


def traces(series: Series, borders_s: Floats, energy_mwh: Floats) -> Traces:
    """Curves of a phone.

    Args:
        series: its readings.
        borders_s: of the m pieces, ascending, (m + 1,).
        energy_mwh: of the pieces, (m,); where these are, the curve of energy follows.
    """
    span_s = float(series.t_s[-1] - series.t_s[0])
    n_spans = max(1, min(_MOST_POINTS, int(span_s // _LEAST_S)))
    edges = np.linspace(series.t_s[0], series.t_s[-1], n_spans + 1)
    at_borders = running(energy_mwh)
    if power_integral.can(series):
        seen = flow(series)
        total = _shaped(edges, borders_s, at_borders, seen.energy_mwh)
        read_s = np.diff(seen.total("read_s", edges))
        power_t, inward = series.known("current_ma")
        power = _spans(power_t, -inward * series.voltage_at(power_t) / 1000, edges)
    else:
        total = np.interp(edges, borders_s, at_borders)
        read_s = np.ones(n_spans)
        power = _spans(np.empty(0), np.empty(0), edges)
    temperature = _spans(*series.known("temperature_c"), edges)
    mean_mw = np.diff(total) / np.diff(edges) * 3600
    return Traces(
        t_s=(edges[:-1] + edges[1:]) / 2,
        level_pct=_spans(*series.known("level_pct"), edges)[0],
        power_mw=np.where(read_s > 0, mean_mw, np.nan),
        power_low_mw=power[1],
        power_high_mw=power[2],
        temperature_c=temperature[0],
        temperature_low_c=temperature[1],
        temperature_high_c=temperature[2],
        energy_mwh=total[1:],
    )


def _shaped(
    at_s: Floats, borders_s: Floats, total_mwh: Floats, shape: Callable[[Floats], Floats]
) -> Floats:
    """Energy by each moment: as given at the borders, between them as the flow runs."""
    at, knots = shape(at_s), shape(borders_s)
    piece = np.clip(np.searchsorted(borders_s, at_s, side="right") - 1, 0, len(borders_s) - 2)
    whole = np.diff(knots)[piece]
    evenly = (at_s - borders_s[piece]) / np.diff(borders_s)[piece]
    share = np.divide(at - knots[piece], whole, out=evenly, where=np.abs(whole) > 1e-9)
    total: Floats = total_mwh[piece] + share * np.diff(total_mwh)[piece]
    return total


def _spans(times: Floats, values: Floats, edges: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean, least and greatest value in each span, NaN where there is none."""
    inner = np.searchsorted(times, edges[1:-1])
    first = np.concatenate([[0], inner, [len(times)]])
    counts = np.diff(first)
    there = counts > 0
    mean, low, high = (np.full(len(counts), np.nan) for _ in range(3))
    if there.any():
        begins = first[:-1][there]
        mean[there] = np.add.reduceat(values, begins) / counts[there]
        low[there] = np.minimum.reduceat(values, begins)
        high[there] = np.maximum.reduceat(values, begins)
    return mean, low, high
