"""Figures of merit over many segments, and whether an interval's coverage is what it says."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

from tests.known_truth.trial import IDLE, Outcome

ALL = "all"
Key = tuple[str, str, float, str]
"""Gauge, estimator, rate in Hz, kind of segment."""

COVERAGE_RATIOS = (0.92, 0.98)
LUCK = 0.005
"""A cell misses its bounds if it would come out so, or worse, in fewer of 200 draws than one."""

_RESTS_ON_PRIOR_PCT = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How often an interval held the truth, out of so many that are independent."""

    ratio: float
    n: float

    @property
    def verdict(self) -> str:
        """`too narrow` or `too wide` if no luck explains it, else empty."""
        held = round(self.ratio * self.n)
        low, high = COVERAGE_RATIOS
        if binom.cdf(held, self.n, low) < LUCK:
            return "too narrow"
        return "too wide" if binom.sf(held - 1, self.n, high) < LUCK else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Many segments of one kind.

    Attributes:
        n_runs: recordings that they come from.
        bias_pct: mean error of the own scale.
        rms_pct: root mean square of the same.
        rms_mwh: the same in mWh.
        own: coverage of the interval without the gauge's own scale.
        whole: coverage of the whole interval; a gain is the same in all segments of a run, so that
            only runs are independent.
        reach_pct: median half width of the whole interval.
        judged: False where the truth is one fixed draw asleep and the estimate rests on what is
            stated about such a draw: there an interval holds it always or never.
    """

    n: int
    n_runs: int
    bias_pct: float
    rms_pct: float
    rms_mwh: float
    own: Coverage
    whole: Coverage
    reach_pct: float
    judged: bool


def cell(found: Iterable[Outcome]) -> Cell:
    """Figures of merit over segments."""
    outcomes = list(found)
    columns = [
        (o.true_mwh, o.own_error_mwh, o.own_reach_mwh, o.error_mwh, o.reach_mwh) for o in outcomes
    ]
    true, own, own_reach, error, reach = np.array(columns).T
    relative = 100 * own / true
    n_runs = len({o.seed for o in outcomes})
    reach_pct = float(np.median(100 * reach / true))
    idle = all(o.kind == IDLE for o in outcomes)
    return Cell(
        n=len(outcomes),
        n_runs=n_runs,
        bias_pct=float(relative.mean()),
        rms_pct=float(np.sqrt(np.mean(relative**2))),
        rms_mwh=float(np.sqrt(np.mean(own**2))),
        own=Coverage(ratio=float(np.mean(np.abs(own) <= own_reach)), n=len(outcomes)),
        whole=Coverage(ratio=float(np.mean(np.abs(error) <= reach)), n=n_runs),
        reach_pct=reach_pct,
        judged=not (idle and reach_pct > _RESTS_ON_PRIOR_PCT) and bool(np.isfinite(reach).all()),
    )


def cells(found: Iterable[Outcome]) -> dict[Key, Cell]:
    """By gauge, estimator, rate and kind; and over all kinds but those that cannot be judged."""
    groups: dict[Key, list[Outcome]] = defaultdict(list)
    for each in found:
        groups[each.gauge, each.estimator, each.rate_hz, each.kind].append(each)
    result = {key: cell(group) for key, group in groups.items()}
    whole: dict[Key, list[Outcome]] = defaultdict(list)
    for key, group in groups.items():
        if result[key].judged:
            whole[*key[:3], ALL] += group
    return result | {key: cell(group) for key, group in whole.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Duel:
    """One estimator against another on the same segments.

    Attributes:
        rms_ratio: root mean square error of the first over that of the second.
        sigma: by how many standard deviations its squares are larger, run by run.
    """

    rms_ratio: float
    sigma: float

    @property
    def lost(self) -> bool:
        """Whether the first is worse beyond luck, and by enough to matter."""
        return self.sigma > 3.0 and self.rms_ratio > 1.05


def duel(first: Iterable[Outcome], second: Iterable[Outcome]) -> Duel:
    """Compares relative errors of the own scale, run by run."""
    squares = [_squares(each) for each in (first, second)]
    runs = sorted(squares[0].keys() & squares[1].keys())
    one, other = (np.array([each[run] for run in runs]) for each in squares)
    apart = one - other
    spread = float(np.std(apart, ddof=1)) / np.sqrt(len(runs)) if len(runs) > 1 else np.inf
    return Duel(
        rms_ratio=float(np.sqrt(one.mean() / other.mean())),
        sigma=float(apart.mean()) / spread if spread > 0 else 0.0,
    )


def _squares(found: Iterable[Outcome]) -> Mapping[int, float]:
    runs: dict[int, list[float]] = defaultdict(list)
    for each in found:
        runs[each.seed].append((each.own_error_mwh / each.true_mwh) ** 2)
    return {seed: float(np.mean(values)) for seed, values in runs.items()}
