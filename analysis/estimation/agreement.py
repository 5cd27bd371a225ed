"""How charge counter and current agree, looked at block by block."""

from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from scipy.stats import chi2

from analysis.estimation.anchors import Anchors
from analysis.estimation.flow import Flow
from analysis.estimation.profile import Floats, running

_JUDGED_S = (150.0, 300.0, 600.0, 1200.0)
"""How long blocks may be that show the sampling: many, but not so short that steps outweigh it."""

_MOST_SQUARE = 9.0

_STRAYED_S = (600.0, 1200.0)
"""The same for a counter that strays: a model errs one way for so long, sampling does not."""

_N_LEAST = 6
_CONFIDENT = 0.997
_PLAIN, _PLAIN_RATIO, _LEAST_STRAY_RATIO = 3.0, 0.015, 0.005
"""A stray is believed that is beyond luck, and either as large as a model's or far beyond it;
common practice, no source."""

_LIKE_SCALE, _LIKE_SCALE_STRAYING = 0.03, 0.2
_SIGMAS = 3.0
_SAMPLING_LIMITS = (0.01, 5.0)
_OF_MEANS = 0.03
_PRIOR_N = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What comparing them tells.

    Attributes:
        scale_ratio: counter over current.
        scale_u_ratio: standard uncertainty of that.
        sampling_ratio: variance of their difference against what sampling predicts.
        n_telling: how many blocks told that, those counting less in which steps outweigh sampling.
        stray_mah2_per_s: how fast the counter strays from the charge, beyond sampling and steps.
        misfit_ratio: squared difference over long blocks, against prediction; None if too few.
        stray_mah: how far it does in an hour.
    """

    scale_ratio: float = 1.0
    scale_u_ratio: float = 0.0
    sampling_ratio: float = 1.0
    n_telling: float = 0.0
    stray_mah2_per_s: float = 0.0
    misfit_ratio: float | None = None

    @property
    def contradicts(self) -> bool:
        """Whether one of the two must be wrong altogether: they share a sense resistor."""
        like = _LIKE_SCALE_STRAYING if self.stray_mah2_per_s else _LIKE_SCALE
        return abs(self.scale_ratio - 1) > like + _SIGMAS * self.scale_u_ratio

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

    def sampled(self, sampling_ratio: float) -> Self:
        """The same with sampling that is so many times worse than predicted."""
        return replace(self, sampling_mah2=self.sampling_mah2 * sampling_ratio)

    @property
    def n_telling(self) -> float:
        """How many blocks without steps would tell as much of the sampling."""
        return float(np.sum((self.sampling_mah2 / self.predicted_mah2) ** 2))

    @property
    def median_ratio(self) -> float:
        """Counted over told, that single large differences hardly move."""
        return float(np.median(self.counted_mah / self.told_mah))

    @property
    def fitted_ratio(self) -> float:
        """Counted over told by least squares."""
        weight = self.told_mah / self.predicted_mah2
        return float(weight @ self.counted_mah) / float(weight @ self.told_mah)

    @property
    def mean_ratio(self) -> tuple[float, float]:
        """All counted over all told, and its standard uncertainty."""
        told = float(self.told_mah.sum())
        ratio = float(self.counted_mah.sum()) / told
        variance = float(self.predicted_mah2.sum()) * max(self.mean(ratio), 1.0)
        return ratio, float(np.sqrt(variance)) / told

    def mean(self, ratio: float) -> float:
        """Squared differences against prediction, by degree of freedom."""
        apart = self._apart(ratio)
        return float(np.sum(apart)) / max(len(apart) - 1, 1)

    def sampling_ratio(self, ratio: float, expected: float) -> float:
        """How much they differ by sampling, against what is predicted."""
        share = self.sampling_mah2 / self.predicted_mah2
        square = np.minimum(self._apart(ratio), _MOST_SQUARE)
        found = float(share @ (square - (1 - share)))
        # A few blocks say little: they count beside a handful that would be as expected.
        believed = (found + _PRIOR_N * expected) / (self.n_telling + _PRIOR_N)
        return float(np.clip(believed, *_SAMPLING_LIMITS))

    def _apart(self, ratio: float) -> Floats:
        apart: Floats = (self.counted_mah - ratio * self.told_mah) ** 2 / self.predicted_mah2
        return apart


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """Running totals at anchors: charges counted and told, variances, and time read, (n,) each."""

    anchors: Anchors
    told_mah: Floats
    sampling_mah2: Floats
    other_mah2: Floats
    read_s: Floats

    @classmethod
    def at(cls, anchors: Anchors, shape: Flow) -> Self:
        """The totals of a flow at the anchors of a counter."""
        return cls(
            anchors=anchors,
            told_mah=shape.charge_mah(anchors.t_s),
            sampling_mah2=shape.total("sampling_mah2", anchors.t_s),
            other_mah2=shape.total("other_mah2", anchors.t_s),
            read_s=shape.total("read_s", anchors.t_s),
        )

    def scale_ratio(self) -> float:
        """Counter over current, that jumps hardly move; 1 if there is too little of both."""
        found = self.judging()
        return 1.0 if found is None else found.median_ratio

    def agreement(self, *, live: bool, means: bool = False) -> Agreement:
        """Compares counter and current in blocks of about equal length.

        Blocks that differ by less than sampling predicts show how good the sampling is (means are
        better than moments, and no one can tell them apart otherwise). Where long ones differ by
        far more, the counter follows a model of the battery rather than the charge.

        Args:
            live: whether every reading of the current is new.
            means: whether a current that is held is known to be a mean.
        """
        steady = self._without_jumps()
        judging = steady.judging()
        if judging is None:
            return Agreement(scale_ratio=self.scale_ratio())
        ratio, ratio_u = judging.mean_ratio
        # Of a live current the prediction is good, and more is the counter's fault; of a held one
        # nobody knows what it is.
        sampling_ratio = judging.sampling_ratio(ratio, _OF_MEANS if means else 1.0)
        most = 1.0 if live else max(sampling_ratio, 1.0)
        long = [found.sampled(most) for s in _STRAYED_S if (found := steady.blocks(s))]
        return Agreement(
            scale_ratio=ratio,
            scale_u_ratio=ratio_u,
            sampling_ratio=min(sampling_ratio, 1.0) if live else sampling_ratio,
            n_telling=judging.n_telling,
            stray_mah2_per_s=max((_stray(found) for found in long), default=0.0),
            misfit_ratio=max((found.mean(found.fitted_ratio) for found in long), default=None),
        )

    def judging(self) -> _Blocks | None:
        """Those blocks that tell most of the sampling; None if there are too few."""
        found = [each for s in _JUDGED_S if (each := self.blocks(s)) is not None]
        return max(found, key=lambda each: each.n_telling, default=None)

    def _without_jumps(self) -> Self:
        """As it would be had the counter followed the current instead of jumping."""
        anchors = self.anchors
        if not len(anchors.jump_s):
            return self
        excess = np.diff(anchors.charge_mah) - self.scale_ratio() * np.diff(self.told_mah)
        jumped = np.isin(anchors.t_s[1:], anchors.jump_s)
        moved = running(np.where(jumped, excess, 0.0))
        return replace(self, anchors=replace(anchors, charge_mah=anchors.charge_mah - moved))

    def blocks(self, block_s: float) -> _Blocks | None:
        """Stretches of about that length that were read throughout; None if too few."""
        t_s, u_mah = self.anchors.t_s, self.anchors.u_mah
        number = np.floor((t_s - t_s[0]) / block_s)
        first = np.flatnonzero(np.diff(number, prepend=-1.0) > 0)
        duration_s, told = np.diff(t_s[first]), np.diff(self.told_mah[first])
        good = (np.diff(self.read_s[first]) > 0.98 * duration_s) & (told > 0)
        if good.sum() < _N_LEAST:
            return None
        steps = u_mah[first[1:]] ** 2 + u_mah[first[:-1]] ** 2 + np.diff(self.other_mah2[first])
        return _Blocks(
            counted_mah=np.diff(self.anchors.charge_mah[first])[good],
            told_mah=told[good],
            steps_mah2=steps[good],
            sampling_mah2=np.diff(self.sampling_mah2[first])[good],
            duration_s=duration_s[good],
        )


def _stray(blocks: _Blocks) -> float:
    """How fast the counter strays, as far as neither sampling nor luck explains it."""
    found = blocks.mean(blocks.fitted_ratio)
    predicted, told = float(np.mean(blocks.predicted_mah2)), float(np.median(blocks.told_mah))
    beyond = (found - 1) * predicted
    plain = min(_PLAIN * predicted, (_PLAIN_RATIO * told) ** 2)
    least = max(plain, (_LEAST_STRAY_RATIO * told) ** 2)
    n_free = len(blocks.told_mah) - 1
    if found < float(chi2.ppf(_CONFIDENT, n_free)) / n_free or beyond < least:
        return 0.0
    return beyond / float(np.median(blocks.duration_s))
