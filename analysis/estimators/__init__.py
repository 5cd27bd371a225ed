"""Ways from readings to energies, one module each."""

from typing import Protocol

from analysis.estimation.estimate import Estimate
from analysis.estimation.profile import Floats
from analysis.estimators import charge_counter, fused, level, power_integral
from analysis.readings.series import Series


class Estimator(Protocol):
    """What a module in here offers."""

    NAME: str

    def can(self, series: Series) -> bool:
        """Whether the series has what the method needs."""

    def estimate(self, series: Series, borders_s: Floats) -> Estimate:
        """Energies between neighbouring borders, (m,) for (m + 1,) ascending borders."""


ESTIMATORS: tuple[Estimator, ...] = (fused, power_integral, charge_counter, level)
"""In the order of preference between methods that are equally in doubt."""
