"""What an estimator says about pieces of time that adjoin: energies and how they are in doubt."""

from dataclasses import dataclass

import numpy as np

from analysis.profile import Floats

Flags = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """Energies of m adjoining pieces of one phone.

    Attributes:
        method: name of the method, per piece.
        energy_mwh: positive when taken out of the battery, (m,).
        own_covariance_mwh2: of errors that differ from piece to piece, (m, m).
        common_u_ratio: relative standard uncertainty by what scales every piece alike (gain of the
            gauge, stated capacity): fully correlated between the pieces, (m,).
        common_u_mwh: standard uncertainty by what adds to every piece alike (offset of the gauge,
            draw while asleep): fully correlated between the pieces, (m,).
        covered_ratio: share of each piece's time that was measured, (m,).
        n_free: effective degrees of freedom of each piece's own uncertainty, (m,).
        flags: what a reader must know, per piece.
        notes: the same for all pieces.
    """

    method: tuple[str, ...]
    energy_mwh: Floats
    own_covariance_mwh2: Floats
    common_u_ratio: Floats
    common_u_mwh: Floats
    covered_ratio: Floats
    n_free: Floats
    flags: tuple[Flags, ...]
    notes: Flags = ()

    @property
    def own_u_mwh(self) -> Floats:
        """Standard uncertainty of each piece by its own errors, (m,)."""
        own: Floats = np.sqrt(np.maximum(np.diag(self.own_covariance_mwh2), 0.0))
        return own

    @property
    def shared_u_mwh(self) -> Floats:
        """Standard uncertainty of each piece by errors it shares with all, (m,)."""
        shared: Floats = np.hypot(self.common_u_ratio * self.energy_mwh, self.common_u_mwh)
        return shared

    @property
    def u_mwh(self) -> Floats:
        """Combined standard uncertainty of each piece, (m,)."""
        u_mwh: Floats = np.hypot(self.own_u_mwh, self.shared_u_mwh)
        return u_mwh

    def covariance_mwh2(self) -> Floats:
        """Covariance of the pieces, own and shared errors together, (m, m)."""
        gain_mwh = self.common_u_ratio * self.energy_mwh
        shared = np.outer(gain_mwh, gain_mwh) + np.outer(self.common_u_mwh, self.common_u_mwh)
        covariance: Floats = self.own_covariance_mwh2 + shared
        return covariance

    def summed(self, weight: Floats) -> tuple[float, float]:
        """A weighted sum of the pieces and its standard uncertainty, correlations kept, mWh.

        References:
            JCGM 100:2008, 5.2.2: u^2 = w' C w.
        """
        variance = float(weight @ self.covariance_mwh2() @ weight)
        return float(weight @ self.energy_mwh), float(np.sqrt(max(variance, 0.0)))

    def share_u_ratio(self, piece: int) -> float:
        """Standard uncertainty of one piece's share of all; a gain common to all cancels."""
        total = float(self.energy_mwh.sum())
        if total == 0:
            return float("nan")
        share = float(self.energy_mwh[piece]) / total
        weight = np.full(len(self.energy_mwh), -share)
        weight[piece] += 1.0
        return self.summed(weight)[1] / abs(total)


def effective_n_free(estimate: Estimate) -> Floats:
    """Degrees of freedom of the combined uncertainty of each piece, (m,).

    References:
        JCGM 100:2008, G.4.1 (Welch-Satterthwaite), the shared part known without limit;
        cut to whole numbers as in its note.
    """
    own = estimate.own_u_mwh
    ratio = np.divide(estimate.u_mwh, own, out=np.full_like(own, np.inf), where=own > 0)
    n_free: Floats = np.maximum(np.floor(estimate.n_free * ratio**4), 1.0)
    return n_free


def pick(estimates: tuple[Estimate, ...], chosen: list[int]) -> Estimate:
    """One estimate out of several: each piece from the estimate whose number is chosen for it.

    Own errors of different estimates count as independent, their shared errors as one and the
    same, since one gauge is behind all of them.
    """
    which = np.array(chosen)
    pieces = np.arange(len(chosen))
    n = len(chosen)
    covariance = np.zeros((n, n))
    for number, estimate in enumerate(estimates):
        mine = np.outer(which == number, which == number)
        covariance[mine] = estimate.own_covariance_mwh2[mine]

    def taken(column: str) -> Floats:
        return np.array(
            [getattr(estimates[k], column)[i] for i, k in zip(pieces, which, strict=True)]
        )

    return Estimate(
        method=tuple(estimates[k].method[i] for i, k in enumerate(chosen)),
        energy_mwh=taken("energy_mwh"),
        own_covariance_mwh2=covariance,
        common_u_ratio=taken("common_u_ratio"),
        common_u_mwh=taken("common_u_mwh"),
        covered_ratio=taken("covered_ratio"),
        n_free=taken("n_free"),
        flags=tuple(estimates[k].flags[i] for i, k in enumerate(chosen)),
        notes=tuple(
            dict.fromkeys(note for k in sorted(set(chosen)) for note in estimates[k].notes)
        ),
    )
