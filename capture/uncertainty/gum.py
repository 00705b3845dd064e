"""The tools of the GUM: propagation with correlations, degrees of freedom, coverage (JCGM 100:2008).

Clause numbers are those of JCGM 100:2008. scipy is imported only where a Student quantile is asked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import numpy.typing as npt

#: Half the width of a rectangular distribution is so many of its standard deviations (4.3.7).
RECTANGULAR: Final = math.sqrt(3.0)
_FEWEST_READINGS: Final = 2


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value, its standard uncertainty, and how well that is known (`dof`, infinite: fully)."""

    value: float
    u: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Propagated:
    """The result of a propagation; `contributions` are c_i u_i, signed, in the order of the inputs."""

    value: float
    u: float
    contributions: tuple[float, ...]


def type_a(readings: Sequence[float]) -> Estimate:
    """Return the mean of n readings and its standard uncertainty s / sqrt(n), with n - 1 degrees (4.2.3).

    Raises ValueError for fewer than two: one reading does not tell its scatter.
    """
    count = len(readings)
    if count < _FEWEST_READINGS:
        raise ValueError("fewer than two readings have no standard deviation")
    values = np.asarray(readings, np.float64)
    return Estimate(float(values.mean()), float(values.std(ddof=1)) / math.sqrt(count), count - 1)


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of what lies anywhere within +-`half_width`: a / sqrt(3) (4.3.7)."""
    return half_width / RECTANGULAR


def quantisation(step: float) -> float:
    """Return the standard uncertainty of a reading rounded to steps: step / sqrt(12) (F.2.2.1)."""
    return rectangular(step / 2)


def root_sum_square(*parts: float) -> float:
    """Return the combination of independent contributions (5.1.2)."""
    return math.hypot(*parts)


def propagate(
    function: Callable[..., float],
    inputs: Sequence[Estimate],
    correlations: Mapping[tuple[int, int], float] | None = None,
) -> Propagated:
    """Return the value of `function` at the inputs and the standard uncertainty of it (5.1.2, 5.2.2).

    `correlations` maps pairs of positions to correlation coefficients (-1 to 1); pairs not named are
    independent. The contribution of an input is half the difference of the function one standard uncertainty
    above and below (5.1.4), so no derivative need be known; first order only.
    """
    values = [one.value for one in inputs]
    contributions = []
    for at, one in enumerate(inputs):
        above, below = list(values), list(values)
        above[at], below[at] = one.value + one.u, one.value - one.u
        contributions.append((function(*above) - function(*below)) / 2)
    variance = sum(part * part for part in contributions)
    for (first, second), correlation in (correlations or {}).items():
        variance += 2 * correlation * contributions[first] * contributions[second]
    return Propagated(function(*values), math.sqrt(max(variance, 0.0)), tuple(contributions))


def effective_dof(contributions: Sequence[float], dofs: Sequence[float]) -> float:
    """Return the effective degrees of freedom of independent contributions (Welch-Satterthwaite, G.4.1).

    u_c^4 / sum(u_i^4 / nu_i), not rounded; infinite where every uncertainty is fully known.
    """
    total = sum(part * part for part in contributions)
    spread = sum(
        part**4 / dof for part, dof in zip(contributions, dofs, strict=True) if part and math.isfinite(dof)
    )
    return total * total / spread if spread > 0 else math.inf


def coverage_factor(dof: float = math.inf, level: float = 0.95) -> float:
    """Return k such that +-k u covers `level` (0 to 1) of a Student distribution (G.3; Table G.2).

    Degrees of freedom are used as they are, not cut to whole ones as G.4.2 does for the table's sake. Raises
    ValueError below one degree of freedom, where there is no interval to speak of.
    """
    if not dof >= 1:
        raise ValueError(f"{dof:g} degrees of freedom give no interval")
    upper = (1 + level) / 2
    if math.isinf(dof):
        return NormalDist().inv_cdf(upper)
    from scipy.special import stdtrit

    return float(stdtrit(dof, upper))


def correlation(first: npt.NDArray[np.float64], second: npt.NDArray[np.float64]) -> float:
    """Return the correlation coefficient of means of readings that were taken together (5.2.3, C.3.6)."""
    return float(np.corrcoef(first, second)[0, 1])
