"""Scale and offset of a channel from readings of known values: zero, two points, or more.

reference = scale x reading + offset, by least squares weighted with what is uncertain in each point; York's
effective variance u_ref^2 + (scale u_reading)^2 (Can. J. Phys. 44 (1966) 1079; from memory). The reference
meter's own gain is the same in every point: no number of them averages it away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

_ROUNDS: Final = 3
_TWO: Final = 2
#: A scale that is known worse than this says that the values were not set, or too close to each other.
_MOST_OF_SCALE: Final = 0.2


@dataclass(frozen=True, slots=True)
class KnownPoint:
    """A known value and what the logger read there, each with a standard uncertainty of its own."""

    reference: float
    reading: float
    u_reference: float = 0.0
    u_reading: float = 0.0


@dataclass(frozen=True, slots=True)
class FittedSpan:
    """The line through known points, standard uncertainties of its numbers, and what each point leaves."""

    scale: float
    offset: float
    u_scale: float
    u_offset: float
    correlation: float
    residuals: tuple[float, ...]


def fit_span(points: Sequence[KnownPoint], *, reference_gain: float = 0.0, scale: float = 1.0) -> FittedSpan:
    """Return the line through known points.

    One point sets the offset and leaves `scale` as it is, known to the reference's gain; two set both;
    more are a fit, whose uncertainties grow with the scatter where that is larger than the points' own.
    Without any uncertainty in the points the scatter of three or more is all there is. `reference_gain` is
    the relative standard uncertainty that all references share.

    Raises ValueError where the points do not determine a line.
    """
    if not points:
        raise ValueError("there is no known value")
    x = np.array([point.reading for point in points])
    y = np.array([point.reference for point in points])
    if len(points) == 1:
        offset = float(y[0] - scale * x[0])
        u_offset = float(np.hypot(points[0].u_reference, scale * points[0].u_reading))
        return FittedSpan(scale, offset, abs(scale) * reference_gain, u_offset, 0.0, (0.0,))
    if np.ptp(x) == 0:
        raise ValueError("all readings are the same: the channel did not follow the known values")
    if np.ptp(y) == 0:
        raise ValueError("all known values are the same: they span nothing")
    u_y = np.array([point.u_reference for point in points])
    u_x = np.array([point.u_reading for point in points])
    slope, variance = float(np.polyfit(x, y, 1)[0]), np.ones(len(points))
    known = bool(u_y.any() or u_x.any())
    middle = float(x.mean())
    for _ in range(_ROUNDS):
        if known:
            variance = np.maximum(u_y**2 + (slope * u_x) ** 2, np.finfo(float).tiny)
            variance = np.maximum(variance, 1e-12 * float(variance.max()))
        weights = 1 / variance
        middle = float(weights @ x / weights.sum())
        squares = float(weights @ (x - middle) ** 2)
        slope = float(weights @ ((x - middle) * y)) / squares
    height = float(weights @ y / weights.sum())
    left = y - height - slope * (x - middle)
    widened = _widened(float(weights @ left**2), len(points), known=known)
    var_slope, var_height = widened / squares, widened / float(weights.sum())
    _check_scale(slope, float(np.sqrt(var_slope)))
    offset = height - slope * middle
    var_offset = var_height + middle**2 * var_slope + (offset * reference_gain) ** 2
    covariance = -middle * var_slope + slope * offset * reference_gain**2
    var_scale = var_slope + (slope * reference_gain) ** 2
    spread = float(np.sqrt(var_scale * var_offset))
    return FittedSpan(
        slope,
        offset,
        float(np.sqrt(var_scale)),
        float(np.sqrt(var_offset)),
        float(np.clip(covariance / spread, -1, 1)) if spread > 0 else 0.0,
        tuple(left.tolist()),
    )


def _check_scale(scale: float, u_scale: float) -> None:
    """Raise ValueError where the known values do not tell the scale."""
    if u_scale > _MOST_OF_SCALE * abs(scale):
        share = 100 * u_scale / abs(scale) if scale else 100.0
        raise ValueError(
            f"the readings hardly follow the known values (the scale would be known to {share:.0f} % only): "
            "see that each was set while it was read, and set them further apart"
        )


def _widened(squares: float, points: int, *, known: bool) -> float:
    """Return what variances are multiplied by: the scatter, at least 1 where the points have their own."""
    if points <= _TWO:
        return 1.0 if known else 0.0
    scatter = squares / (points - _TWO)
    return max(1.0, scatter) if known else scatter
