"""How charge counter and current agree, looked at block by block."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from analysis.estimation.anchors import Anchors
from analysis.estimation.flow import Flow
from analysis.estimation.profile import Floats, running

_BLOCK_STEPS = 20
_BLOCK_MAH = 10.0
_N_LEAST = 6
_NORMAL_MEDIAN = 0.4549
"""Median of the square of a standard normal."""

_STRAYS, _STRAYS_HELD = 3.0, 8.0
_LEAST_STRAY_RATIO = 0.005
_LIKE_SCALE, _LIKE_SCALE_STRAYING = 0.03, 0.2
_SAMPLING_LIMITS = (0.05, 5.0)
_PRIOR_N = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What comparing them tells.

    Attributes:
        scale_ratio: counter over current.
        sampling_ratio: variance of their difference against what sampling predicts.
        stray_mah2_per_s: how fast the counter strays from the charge, beyond sampling and steps.
        stray_mah: how far it does in an hour.
    """

    scale_ratio: float = 1.0
    sampling_ratio: float = 1.0
    stray_mah2_per_s: float = 0.0

    @property
    def contradicts(self) -> bool:
        """Whether one of the two must be wrong altogether: they share a sense resistor."""
        like = _LIKE_SCALE_STRAYING if self.stray_mah2_per_s else _LIKE_SCALE
        return abs(self.scale_ratio - 1) > like

    @property
    def stray_mah(self) -> float:
        """How far it strays in an hour, standard deviation."""
        return float(np.sqrt(3600 * self.stray_mah2_per_s))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Blocks:
    """Stretches of time: charges counted and told, variances, and length, (n,) each.

    Variances are of steps (and of gaps and refresh with them), and of sampling.
    """

    counted_mah: Floats
    told_mah: Floats
    steps_mah2: Floats
    sampling_mah2: Floats
    duration_s: Floats

    @property
    def predicted_mah2(self) -> Floats:
        """Variance of counted less told, (n,)."""
        return self.steps_mah2 + self.sampling_mah2

    def mean(self, ratio: float) -> float:
        """Squared differences against prediction."""
        return float(np.mean(self._apart(ratio)))

    def usual(self, ratio: float) -> float:
        """The same by the median, that single large differences hardly move."""
        return float(np.median(self._apart(ratio))) / _NORMAL_MEDIAN

    def _apart(self, ratio: float) -> Floats:
        apart: Floats = (self.counted_mah - ratio * self.told_mah) ** 2 / self.predicted_mah2
        return apart


def scale_ratio(anchors: Anchors, shape: Flow, step_mah: float) -> float:
    """Counter over current: a median over blocks, which jumps hardly move; 1 if too few."""
    found = _blocks(anchors, shape, max(_BLOCK_STEPS * step_mah, _BLOCK_MAH))
    return 1.0 if found is None else float(np.median(found.counted_mah / found.told_mah))


def agreement(anchors: Anchors, shape: Flow, step_mah: float, *, live: bool) -> Agreement:
    """Compares counter and current in blocks of about equal charge.

    Blocks that differ by less than sampling predicts show how good the sampling is (means are
    better than moments, and no one can tell them apart otherwise). Where they differ by far more,
    the counter follows a model of the battery rather than the charge.
    """
    ratio = scale_ratio(anchors, shape, step_mah)
    steady = _without_jumps(anchors, shape, ratio)
    least_mah = max(_BLOCK_STEPS * step_mah, _BLOCK_MAH)
    sizes = [_blocks(steady, shape, least_mah * times) for times in (1, 2, 4, 8, 16)]
    blocks = [found for found in sizes if found is not None]
    if not blocks:
        return Agreement(scale_ratio=ratio)
    usual = _sampling_ratio(blocks[0], blocks[0].usual(ratio))
    # Of a live current the prediction is good, and more is the counter's fault; of a held one
    # nobody knows what it is.
    most = 1.0 if live else _sampling_ratio(blocks[0], blocks[0].mean(ratio))
    least = _STRAYS if live else _STRAYS_HELD
    strays = [_stray(found, ratio, most, least) for found in blocks]
    return Agreement(
        scale_ratio=ratio,
        sampling_ratio=min(usual, 1.0) if live else usual,
        stray_mah2_per_s=max(strays),
    )


def _sampling_ratio(blocks: _Blocks, found: float) -> float:
    """How much blocks differ by sampling, against what is predicted."""
    sampling, steps = float(np.mean(blocks.sampling_mah2)), float(np.mean(blocks.steps_mah2))
    # A few blocks say little: they count beside a handful that would agree with the prediction.
    n = len(blocks.told_mah)
    believed = (n * found + _PRIOR_N) / (n + _PRIOR_N)
    ratio = (believed * (sampling + steps) - steps) / sampling if sampling > 0 else 1.0
    return float(np.clip(ratio, *_SAMPLING_LIMITS))


def _without_jumps(anchors: Anchors, shape: Flow, ratio: float) -> Anchors:
    """The anchors as they would be had the counter followed the current instead of jumping."""
    if not len(anchors.jump_s):
        return anchors
    excess = np.diff(anchors.charge_mah) - ratio * np.diff(shape.charge_mah(anchors.t_s))
    jumped = np.isin(anchors.t_s[1:], anchors.jump_s)
    moved = running(np.where(jumped, excess, 0.0))
    return replace(anchors, charge_mah=anchors.charge_mah - moved)


def _stray(blocks: _Blocks, ratio: float, sampling_ratio: float, least_found: float) -> float:
    blocks = replace(blocks, sampling_mah2=blocks.sampling_mah2 * max(sampling_ratio, 1.0))
    # It errs most of the time; where activities begin and end, a good pair may differ too.
    found = min(blocks.mean(ratio), blocks.usual(ratio))
    beyond = (found - 1) * float(np.mean(blocks.predicted_mah2))
    least = (_LEAST_STRAY_RATIO * float(np.median(blocks.told_mah))) ** 2
    n = len(blocks.told_mah)
    # 99.99 % of a chi-square over its degrees of freedom.
    if found < max(least_found, float(chi2.ppf(0.9999, n)) / n) or beyond < least:
        return 0.0
    return beyond / float(np.median(blocks.duration_s))


def _blocks(anchors: Anchors, shape: Flow, block_mah: float) -> _Blocks | None:
    """Stretches of about equal charge, those that were read throughout; None if too few."""
    number = np.floor((anchors.charge_mah - anchors.charge_mah[0]) / block_mah)
    first = np.flatnonzero(np.diff(np.maximum.accumulate(number), prepend=-1.0) > 0)
    at = anchors.t_s[first]
    if len(at) < 2:
        return None
    told = np.diff(shape.charge_mah(at))
    read_s = np.diff(shape.total("read_s", at))
    good = (read_s > 0.98 * np.diff(at)) & (told > block_mah / 4)
    if good.sum() < _N_LEAST:
        return None
    u_mah = anchors.u_mah[first]
    return _Blocks(
        counted_mah=np.diff(anchors.charge_mah[first])[good],
        told_mah=told[good],
        steps_mah2=(u_mah[1:] ** 2 + u_mah[:-1] ** 2 + np.diff(shape.total("other_mah2", at)))[
            good
        ],
        sampling_mah2=np.diff(shape.total("sampling_mah2", at))[good],
        duration_s=np.diff(at)[good],
    )
