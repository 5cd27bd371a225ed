"""A straight line through points that are in doubt both ways."""

from dataclasses import dataclass

import numpy as np

from analysis.errors import SeriesError
from analysis.estimation.profile import Floats

_MOST_STEPS = 200
_CLOSE = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """y = offset + gain x.

    Attributes:
        offset: at x = 0.
        gain: rise of y per x.
        covariance: of offset and gain by the stated uncertainties, (2, 2).
        scatter_ratio: weighted sum of squares over degrees of freedom; 1 if the points scatter as
            their uncertainties say.
        residual: of each point, (n,).
    """

    offset: float
    gain: float
    covariance: Floats
    scatter_ratio: float
    residual: Floats

    @property
    def scatter_covariance(self) -> Floats:
        """Covariance judged by how the points scatter, whatever was stated, (2, 2)."""
        judged: Floats = self.covariance * self.scatter_ratio
        return judged

    def at(self, x: float, covariance: Floats) -> tuple[float, float]:
        """The line at x, and its standard uncertainty by a covariance."""
        sensitivity = np.array([1.0, x])
        return self.offset + self.gain * x, float(np.sqrt(sensitivity @ covariance @ sensitivity))


def fit_line(x: Floats, y: Floats, x_u: Floats, y_u: Floats) -> Line:
    """The line that fits best by weighted least squares in both directions.

    Args:
        x: three points or more, (n,).
        y: (n,).
        x_u: standard uncertainties, 0 allowed, (n,).
        y_u: standard uncertainties, above 0, (n,).

    Raises:
        SeriesError: if the points allow no line.

    References:
        York, Evensen, Lopez Martinez and De Basabe Delgado 2004, American Journal of Physics 72,
        367-375, without correlation; JCGM 100:2008, H.3 where x is known exactly.
    """
    if len(x) < 3 or not np.ptp(x) > 0:
        raise SeriesError("x", "a line needs three points or more, not all at one place")
    gain = float(np.polyfit(x - x.mean(), y, 1)[0])
    weight, beta, x_bar, y_bar = y_u, x, 0.0, 0.0
    for _ in range(_MOST_STEPS):  # two or three are usual
        before = gain
        weight = 1 / (y_u**2 + gain**2 * x_u**2)
        x_bar, y_bar = (float(np.average(values, weights=weight)) for values in (x, y))
        beta = weight * ((x - x_bar) * y_u**2 + gain * (y - y_bar) * x_u**2)
        gain = float(np.sum(weight * beta * (y - y_bar)) / np.sum(weight * beta * (x - x_bar)))
        if abs(gain - before) <= _CLOSE * abs(gain):
            break
    offset = y_bar - gain * x_bar
    adjusted = x_bar + beta
    adjusted_bar = float(np.average(adjusted, weights=weight))
    gain_variance = 1 / float(np.sum(weight * (adjusted - adjusted_bar) ** 2))
    both = -adjusted_bar * gain_variance
    offset_variance = 1 / float(np.sum(weight)) + adjusted_bar**2 * gain_variance
    residual = y - offset - gain * x
    return Line(
        offset=offset,
        gain=gain,
        covariance=np.array([[offset_variance, both], [both, gain_variance]]),
        scatter_ratio=float(np.sum(weight * residual**2)) / (len(x) - 2),
        residual=residual,
    )
