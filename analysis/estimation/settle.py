"""From flow and anchors to an estimate with its whole uncertainty budget."""

import numpy as np

from analysis.estimation.anchors import NO_ANCHORS, Anchors
from analysis.estimation.borders import (
    border_shift_mwh,
    border_variance,
    lag_mwh,
    piece_sums,
    pieces_of,
)
from analysis.estimation.bridge import GAPS, SAMPLING, SCALE, SLEEP, STEPS, STRAY, Doubts, bridge
from analysis.estimation.estimate import PRACTICE, Cause, Component, Estimate, Flags
from analysis.estimation.flow import Flow
from analysis.estimation.profile import S_PER_H, Floats
from analysis.readings.series import Series

_STRAIGHT_RATIO = 1e-4
_FIRST_COUNT = "one count of a common gauge family (Linux max17042_battery.c, 1.5625 µV)"
_READINGS = "the readings' own scatter"
_KINDS: dict[str, tuple[str, str, str]] = {
    STEPS: ("B", "normal", "rectangular between two readings, many together"),
    SAMPLING: ("A", "normal", _READINGS),
    GAPS: ("A", "normal", _READINGS),
    STRAY: ("A", "normal", "counter against current"),
    SCALE: ("B", "normal", PRACTICE),
    SLEEP: ("B", "rectangular", PRACTICE),
}


def settled(  # noqa: PLR0913 - what an estimate is made of
    series: Series,
    shape: Flow,
    borders: Floats,
    *,
    method: str,
    anchors: Anchors = NO_ANCHORS,
    doubts: Doubts | None = None,
    flags: tuple[Flags, ...] | None = None,
    notes: Flags = (),
) -> Estimate:
    """Energies between borders, and what they are in doubt by."""
    counted = len(anchors.t_s) > 0
    bridged = bridge(shape, anchors, borders, doubts or Doubts())
    energy = np.diff(bridged.energy_mwh + border_shift_mwh(shape, borders))
    # How far a counter strays was taken from the same misfit.
    strays = doubts is not None and doubts.stray_mah2_per_s > 0
    inflated = 1.0 if strays else max(bridged.misfit_ratio, 1.0) ** 2
    n = len(energy)
    early = np.diag(border_variance(series, shape, borders, counted=counted))
    late = lag_mwh(series, shape, borders)
    components = [
        Component(
            name=name,
            kind="A" if kind == "A" else "B",
            distribution="rectangular" if shape_ == "rectangular" and not counted else "normal",
            source=source,
            covariance_mwh2=pieces_of(bridged.parts_mwh2[name]) * inflated,
        )
        for name, (kind, shape_, source) in _KINDS.items()
        if name in bridged.parts_mwh2 and bridged.parts_mwh2[name].any()
    ]
    components += [
        Component(
            name="voltage between readings",
            kind="A",
            distribution="normal",
            source=_READINGS,
            covariance_mwh2=np.diag(piece_sums(shape, "sampling_mwh2", borders)),
        ),
        Component(
            name="moments of the borders",
            kind="B",
            distribution="normal",
            source="clocks of phone and computer, polling period",
            covariance_mwh2=pieces_of(early + np.outer(late, late)),
        ),
        Component(
            name="gauge not quite straight",
            kind="B",
            distribution="normal",
            source=PRACTICE,
            covariance_mwh2=_STRAIGHT_RATIO**2 * np.outer(energy, energy),
        ),
        *gauge_components(series, shape, borders, energy, counted=counted),
    ]
    if counted:
        inside_s = np.diff(np.clip(borders, anchors.t_s[0], anchors.t_s[-1]))
    else:
        inside_s = piece_sums(shape, "read_s", borders)
    return Estimate(
        method=(method,) * n,
        energy_mwh=energy,
        components=tuple(components),
        covered_ratio=np.clip(inside_s / np.diff(borders), 0.0, 1.0),
        n_free=np.full(n, np.inf) if counted else _n_free(shape, borders),
        flags=flags or ((),) * n,
        notes=notes,
    )


def _n_free(shape: Flow, borders: Floats) -> Floats:
    n_read = np.diff(np.searchsorted(shape.edges_s, borders)).astype(np.float64)
    return np.maximum(n_read - 2, 1.0)


def gauge_components(
    series: Series, shape: Flow, borders: Floats, energy_mwh: Floats, *, counted: bool
) -> list[Component]:
    """Errors of the gauge that no software can see: the same for all pieces."""
    gains = series.gains
    hours = np.diff(borders) / S_PER_H
    volts = piece_sums(shape, "swept_vs", borders) / np.diff(borders)
    root = np.sqrt(3.0)
    blurred = shape.blurred_u_mwh(borders) / root
    found = [
        Component.common(Cause.CURRENT_GAIN, gains.current_ratio / root * energy_mwh),
        voltage_gain(series, energy_mwh),
        Component.common(
            Cause.CURRENT_OFFSET,
            gains.current_offset_ma / root * hours * volts,
            source=_FIRST_COUNT,
        ),
        Component(
            name="voltage giving way under bursts",
            kind="B",
            distribution="rectangular",
            source=PRACTICE,
            covariance_mwh2=np.outer(blurred, blurred),
        ),
    ]
    if not counted and series.current_lsb_ma is not None:
        read_s = piece_sums(shape, "read_s", borders)
        found.append(
            Component.common(
                Cause.CURRENT_RESOLUTION,
                series.current_lsb_ma / 2 / root * read_s / S_PER_H * volts,
                source="cut or rounded, nobody knows which",
            )
        )
    return found


def voltage_gain(series: Series, energy_mwh: Floats) -> Component:
    """Gain and resolution of the voltage."""
    lsb_ratio = (series.voltage_lsb_mv or 0.0) / 2 / np.sqrt(3.0) / 3800
    return Component.common(
        Cause.VOLTAGE_GAIN,
        float(np.hypot(series.gains.voltage_u_ratio, lsb_ratio)) * energy_mwh,
        distribution="normal",
    )
