"""What an estimator says about pieces of time that adjoin: energies and how they are in doubt."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Literal

import numpy as np

from analysis.estimation.profile import Floats
from analysis.statistics.interval import reach95

Flags = tuple[str, ...]
PRACTICE = "common practice, no source"


class Cause(StrEnum):
    """Errors that are one and the same in all pieces of a phone, and in all its runs."""

    CURRENT_GAIN = "gain of the current"
    VOLTAGE_GAIN = "gain and resolution of the voltage"
    CURRENT_OFFSET = "offset of the current"
    CURRENT_RESOLUTION = "resolution of the current"
    CAPACITY = "stated capacity"
    UNSEEN_BURSTS = "bursts that no reading shows"
    CONTRADICTION = "counter and current contradict each other"
    CALIBRATED_GAIN = "gain left by the calibration"
    CALIBRATED_OFFSET = "offset left by the calibration"


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One line of an uncertainty budget, over m adjoining pieces.

    Attributes:
        name: what is in doubt.
        kind: A, from the readings' own scatter, or B, from anything else (JCGM 100:2008, 4).
        distribution: its shape.
        source: where its size comes from.
        covariance_mwh2: of the pieces' errors, (m, m).
        shared_u_mwh: for one cause that scales or shifts all pieces of a phone alike, each piece's
            standard uncertainty with its sign, (m,); None if errors differ from piece to piece.
    """

    name: str
    kind: Literal["A", "B"]
    distribution: Literal["normal", "rectangular"]
    source: str
    covariance_mwh2: Floats
    shared_u_mwh: Floats | None = None

    @classmethod
    def common(
        cls,
        name: Cause,
        u_mwh: Floats,
        *,
        source: str = PRACTICE,
        distribution: Literal["normal", "rectangular"] = "rectangular",
    ) -> "Component":
        """A type B error, the same for all pieces but for its size, (m,)."""
        return cls(
            name=name,
            kind="B",
            distribution=distribution,
            source=source,
            covariance_mwh2=np.outer(u_mwh, u_mwh),
            shared_u_mwh=u_mwh,
        )

    @property
    def shared(self) -> bool:
        """Whether it is one and the same error in all pieces of a phone."""
        return self.shared_u_mwh is not None

    def scaled(self, factor: Floats) -> "Component":
        """The component of energies that are multiplied by a factor each, (m,)."""
        shared = self.shared_u_mwh
        return replace(
            self,
            covariance_mwh2=self.covariance_mwh2 * np.outer(factor, factor),
            shared_u_mwh=None if shared is None else shared * factor,
        )

    def u_of(self, weight: Floats) -> float:
        """Standard uncertainty of a weighted sum of the pieces, mWh."""
        return float(np.sqrt(max(float(weight @ self.covariance_mwh2 @ weight), 0.0)))


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """Energies of m adjoining pieces of one phone.

    Attributes:
        method: name of the method, per piece.
        energy_mwh: positive when taken out of the battery, (m,).
        components: the uncertainty budget; its lines are independent of each other.
        covered_ratio: share of each piece's time that was measured, (m,).
        n_free: effective degrees of freedom of each piece's own uncertainty, (m,).
        flags: what is worth knowing, per piece; its doubt is in the components.
        notes: the same for all pieces.
        doubts: what contradicts it.
    """

    method: tuple[str, ...]
    energy_mwh: Floats
    components: tuple[Component, ...]
    covered_ratio: Floats
    n_free: Floats
    flags: tuple[Flags, ...]
    notes: Flags = ()
    doubts: Flags = ()

    @cached_property
    def own_covariance_mwh2(self) -> Floats:
        """Covariance of errors that differ from piece to piece, (m, m)."""
        return self._covariance(c for c in self.components if not c.shared)

    @cached_property
    def shared_covariance_mwh2(self) -> Floats:
        """Covariance of errors that all pieces share, (m, m)."""
        return self._covariance(c for c in self.components if c.shared)

    @property
    def own_u_mwh(self) -> Floats:
        """Standard uncertainty of each piece by its own errors, (m,)."""
        return _roots(self.own_covariance_mwh2)

    @property
    def shared_u_mwh(self) -> Floats:
        """Standard uncertainty of each piece by errors it shares with all, (m,)."""
        return _roots(self.shared_covariance_mwh2)

    @cached_property
    def u_mwh(self) -> Floats:
        """Combined standard uncertainty of each piece, (m,)."""
        return _roots(self.covariance_mwh2)

    @cached_property
    def covariance_mwh2(self) -> Floats:
        """Covariance of the pieces, own and shared errors together, (m, m)."""
        return self._covariance(self.components)

    @cached_property
    def effective_n_free(self) -> Floats:
        """Degrees of freedom of the combined uncertainty of each piece, (m,).

        References:
            JCGM 100:2008, G.4.1 (Welch-Satterthwaite), the shared part known without limit;
            cut to whole numbers as in its note.
        """
        own = self.own_u_mwh
        ratio = np.divide(self.u_mwh, own, out=np.full_like(own, np.inf), where=own > 0)
        n_free: Floats = np.maximum(np.floor(self.n_free * ratio**4), 1.0)
        return n_free

    def summed(self, weight: Floats) -> tuple[float, float]:
        """A weighted sum of the pieces and its standard uncertainty, correlations kept, mWh.

        References:
            JCGM 100:2008, 5.2.2: u^2 = w' C w.
        """
        variance = float(weight @ self.covariance_mwh2 @ weight)
        return float(weight @ self.energy_mwh), float(np.sqrt(max(variance, 0.0)))

    def reach_mwh(self, weight: Floats) -> float:
        """Half width of the 95 % interval of a weighted sum of the pieces.

        The largest rectangular line of the budget keeps its shape, all others together are normal.
        """
        square = max((c.u_of(weight) for c in self.components if _is_rectangular(c)), default=0.0)
        rest = float(np.sqrt(max(self.summed(weight)[1] ** 2 - square**2, 0.0)))
        n_free = float(np.min(self.effective_n_free[weight != 0], initial=np.inf))
        return reach95(rest, square, n_free)

    def shared_parts_mwh(self, weight: Floats) -> tuple[float, ...]:
        """Standard uncertainty of a weighted sum by each `Cause`, with its sign."""
        found = ((c.name, c.shared_u_mwh) for c in self.components)
        parts = {name: part for name, part in found if part is not None}
        return tuple(float(weight @ parts[cause]) if cause in parts else 0.0 for cause in Cause)

    def share_u_ratio(self, piece: int) -> float:
        """Standard uncertainty of one piece's share of all; a gain common to all cancels."""
        total = float(self.energy_mwh.sum())
        if total == 0:
            return float("nan")
        share = float(self.energy_mwh[piece]) / total
        weight = np.full(len(self.energy_mwh), -share)
        weight[piece] += 1.0
        return self.summed(weight)[1] / abs(total)

    def _covariance(self, components: Iterable[Component]) -> Floats:
        n = len(self.energy_mwh)
        return sum((c.covariance_mwh2 for c in components), np.zeros((n, n)))


def _roots(covariance: Floats) -> Floats:
    roots: Floats = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return roots


def _is_rectangular(component: Component) -> bool:
    return component.distribution == "rectangular"
