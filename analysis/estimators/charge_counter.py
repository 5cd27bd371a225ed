"""Charge counted by the gauge, weighted with the voltage at which it flowed."""

from dataclasses import dataclass, replace

import numpy as np

from analysis.anchors import LEAST_JUMP_MAH, Anchors, Looks, find_anchors, without_jumps
from analysis.borders import border_variance, checked, piece_sums, pieces_of
from analysis.bridge import bridge
from analysis.errors import CannotEstimateError
from analysis.estimate import Estimate, Flags
from analysis.flow import Flow, flow, steady_flow
from analysis.profile import S_PER_H, Floats
from analysis.series import Series

NAME = "charge counter"
_N_STEPS_LEAST = 2
_MOST_STEPS_RATIO = 1.5
_BLOCK_STEPS = 20
_BLOCK_MAH = 20.0
_N_BLOCKS_LEAST = 4
_LEAST_WANDER_RATIO = 0.005
_UNSEEN_BURST_RATIO = 0.003
"""Voltage gives way under bursts that no current reading shows; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """How counter and current compare.

    Attributes:
        ratio: counter over current.
        wander_mah: how far the counter strays from the current, to and fro; 0 unless it does so
            more than steps and sampling explain.
    """

    ratio: float = 1.0
    wander_mah: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks:
    """Stretches of time in which counter and current are compared.

    Attributes:
        counted_mah: by the counter, (n,).
        told_mah: by the current, (n,).
        noise_mah2: variance of their difference by steps and sampling, (n,).
    """

    counted_mah: Floats
    told_mah: Floats
    noise_mah2: Floats

    def wanders(self) -> bool:
        """Whether the blocks differ by more than their noise."""
        ratio = self.counted_mah / self.told_mah
        # 1.4826 times the median absolute deviation is the standard deviation of a normal scatter.
        observed = (1.4826 * float(np.median(np.abs(ratio - np.median(ratio))))) ** 2
        predicted = float(np.mean(self.noise_mah2 / self.told_mah**2))
        return observed > 3 * predicted and observed - predicted > _LEAST_WANDER_RATIO**2

    def wander_mah(self, ratio: float) -> float:
        """Standard deviation of the counter's lead over the current."""
        return float(np.std(np.cumsum(self.counted_mah - ratio * self.told_mah)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    shape: Flow
    anchors: Anchors
    scale: Scale
    shaped: bool


def can(series: Series) -> bool:
    """Whether voltage was read and the counter stepped, and not only with the level."""
    times, values = series.known("counter_mah")
    n_steps = int(np.count_nonzero(np.diff(values))) if len(times) else 0
    steps = n_steps >= _N_STEPS_LEAST and not moves_with_level(series)
    return steps and series.has("voltage_mv", 1)


def estimate(series: Series, borders_s: Floats) -> Estimate:
    """Energies from the counter's steps, shaped between them by the current where it was read.

    Raises:
        CannotEstimateError: if the counter never steps or voltage was not read.
        SeriesError: if the borders do not ascend.
    """
    if not can(series) or series.counter_lsb_mah is None:
        raise CannotEstimateError(NAME, "moving counter and voltage")
    borders = checked(borders_s)
    times, values = series.known("counter_mah")
    step = series.counter_lsb_mah
    looks = Looks(step_mah=step, look_s=series.look_s["counter_mah"], poll_s=series.poll_s)
    shaped = series.has("current_ma", _BLOCK_STEPS)
    if shaped:
        shape = flow(series)
        anchors = find_anchors(times, values, replace(looks, charge_mah=shape.charge_mah))
        anchors, scale = _compared(anchors, shape, step)
    else:
        anchors = without_jumps(find_anchors(times, values, looks), None, np.zeros(0), step)
        shape, scale = steady_flow(series, anchors.t_s, anchors.charge_mah), Scale()
    found = _Found(shape=shape, anchors=anchors, scale=scale, shaped=shaped)
    return _estimate(series, found, borders)


def moves_with_level(series: Series) -> bool:
    """Whether the counter is only the level in another unit: it steps when the level steps."""
    level_s, level_pct = series.known("level_pct")
    counter_s, counter_mah = series.known("counter_mah")
    level_steps_s = level_s[1:][np.diff(level_pct) != 0]
    steps_s = counter_s[1:][np.diff(counter_mah) != 0]
    if len(level_steps_s) == 0 or len(steps_s) > _MOST_STEPS_RATIO * len(level_steps_s):
        return False
    apart_s = np.min(np.abs(np.subtract.outer(steps_s, level_steps_s)), axis=1)
    return bool(np.mean(apart_s <= 2 * max(series.poll_s, series.look_s["level_pct"])) > 0.8)


def _compared(anchors: Anchors, shape: Flow, step_mah: float) -> tuple[Anchors, Scale]:
    at = anchors.t_s
    variance = np.diff(shape.total(shape.variance_mah2 + shape.sleep_variance_mah2, at))
    # The scale is a median, which jumps hardly move; the jumps then show against it.
    expected = _scale(anchors, shape, step_mah).ratio * np.diff(shape.charge_mah(at))
    anchors = without_jumps(anchors, expected, np.sqrt(variance), step_mah)
    return anchors, _scale(anchors, shape, step_mah)


def _scale(anchors: Anchors, shape: Flow, step_mah: float) -> Scale:
    """What the counter counts against what the current adds up to, looked at block by block."""
    least_mah = max(_BLOCK_STEPS * step_mah, _BLOCK_MAH)
    sizes = (_blocks(anchors, shape, least_mah * times) for times in (1, 2, 4))
    blocks = [found for found in sizes if found is not None]
    if not blocks:
        return Scale()
    ratio = float(np.median(blocks[0].counted_mah / blocks[0].told_mah))
    wanders = any(found.wanders() for found in blocks)
    return Scale(ratio=ratio, wander_mah=blocks[0].wander_mah(ratio) if wanders else 0.0)


def _blocks(anchors: Anchors, shape: Flow, block_mah: float) -> Blocks | None:
    """Stretches of about equal charge, those that were read throughout; None if too few."""
    number = np.floor((anchors.charge_mah - anchors.charge_mah[0]) / block_mah)
    first = np.flatnonzero(np.diff(np.maximum.accumulate(number), prepend=-1.0) > 0)
    at = anchors.t_s[first]
    told = np.diff(shape.charge_mah(at))
    unread_s = np.diff(shape.total(np.where(shape.measured, 0.0, shape.width_s), at))
    good = (unread_s < 0.02 * np.diff(at)) & (told > block_mah / 4)
    if good.sum() < _N_BLOCKS_LEAST:
        return None
    u_mah = anchors.u_mah[first]
    noise = u_mah[1:] ** 2 + u_mah[:-1] ** 2 + np.diff(shape.total(shape.variance_mah2, at))
    return Blocks(
        counted_mah=np.diff(anchors.charge_mah[first])[good],
        told_mah=told[good],
        noise_mah2=noise[good],
    )


def _estimate(series: Series, found: _Found, borders: Floats) -> Estimate:
    shape, anchors, scale, shaped = found.shape, found.anchors, found.scale, found.shaped
    bridged = bridge(shape, scale.ratio, anchors, borders)
    energy = np.diff(bridged.energy_mwh)
    at_borders = bridged.covariance_mwh2 * max(bridged.misfit_ratio, 1.0) ** 2
    at_borders = at_borders + np.diag((scale.wander_mah * bridged.volts) ** 2)
    own = pieces_of(at_borders + np.diag(border_variance(series, shape, borders)))
    jumps = np.histogram(anchors.jump_s, bins=borders)[0]
    # A counter that jumps will also jump by less than can be seen, about as often.
    unseen = len(anchors.jump_s) * np.diff(borders) / float(np.ptp(series.t_s))
    hidden_mwh = LEAST_JUMP_MAH * float(np.mean(bridged.volts))
    own = own + np.diag((jumps + unseen) * hidden_mwh**2 / 3)
    hours = np.diff(borders) / S_PER_H
    offset = series.gains.current_offset_ma / np.sqrt(3.0) * hours * float(np.mean(bridged.volts))
    hidden = piece_sums(shape, shape.hidden_mw * shape.width_s / S_PER_H, borders) / np.sqrt(3.0)
    gains = [series.gains.current_ratio / np.sqrt(3.0), series.gains.voltage_u_ratio]
    gains += [] if shaped else [_UNSEEN_BURST_RATIO]
    inside_s = np.diff(np.clip(borders, anchors.t_s[0], anchors.t_s[-1]))
    n_steps = np.histogram(anchors.t_s, bins=borders)[0]
    return Estimate(
        method=(f"{NAME}, shaped by current" if shaped else NAME,) * len(energy),
        energy_mwh=energy,
        own_covariance_mwh2=own,
        common_u_ratio=np.full(len(energy), float(np.linalg.norm(gains))),
        common_u_mwh=np.hypot(offset, hidden),
        covered_ratio=inside_s / np.diff(borders),
        n_free=np.full(len(energy), np.inf),
        flags=tuple(_flags(int(n), int(j)) for n, j in zip(n_steps, jumps, strict=True)),
        notes=_notes(scale, shaped=shaped),
    )


def _flags(n_steps: int, n_jumps: int) -> Flags:
    few = (f"only {n_steps} counter steps",) if n_steps < 3 else ()
    jumps = (f"the counter jumped {n_jumps} times; taken out",) if n_jumps else ()
    return few + jumps


def _notes(scale: Scale, *, shaped: bool) -> Flags:
    notes = []
    if shaped and abs(scale.ratio - 1) > 0.02:
        notes.append(f"the counter counts {scale.ratio:.3f} times what the current adds up to")
    if scale.wander_mah:
        notes.append(
            "the counter follows a model of the battery: it strays from the current by "
            f"{scale.wander_mah:.1f} mAh"
        )
    return tuple(notes)
