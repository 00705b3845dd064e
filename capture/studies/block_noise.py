"""How far block means of a voltage scatter around a fit, and what that makes of the fit's coefficients."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.orthonormal import orthonormal

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.int64]

_SIZE_CLASSES: Final = 8
#: Of each, so large a share in which the current moves least.
_STEADY_SHARE: Final = 0.8
#: Scores are summed over this many equal spans of time, and hang together over so many neighbours.
_SPANS: Final = 300
_LAGS: Final = 24
_LEAST_RELATIVE: Final = 1e-4


def block_variances(residual_v: Floats, sizes: Whole, moved_a: Floats) -> tuple[Floats, Floats]:
    """Return the variance (n, V2) of each block mean, a / size + b + c m2, and c m2 of it by itself.

    From what a fit left over: a is the noise of a reading, b what does not become less by averaging (the
    circuit is only a model), and c m2 what edges leave of which nobody knows when in an interval they were:
    m is `moved_a` (n), by how much the mean current of a block changes with a delay of one interval.
    """
    from scipy.optimize import nnls

    classes = _classes(sizes, moved_a)
    mean_squares = np.array([np.mean(residual_v[part] ** 2) for part in classes])
    floor = max(float(mean_squares.mean()) * _LEAST_RELATIVE, np.finfo(float).tiny)
    mean_squares = np.maximum(mean_squares, floor)
    regressors = np.column_stack([1.0 / sizes, np.ones(len(sizes)), moved_a**2])
    of_classes = np.array([regressors[part].mean(axis=0) for part in classes])
    shares, _ = nnls(of_classes / mean_squares[:, None], np.ones(len(classes)))
    variances: Floats = np.maximum(regressors @ shares, floor)
    return variances, regressors[:, 2] * shares[2]


def _classes(sizes: Whole, moved_a: Floats) -> list[Whole]:
    """Return the rows of blocks of like size, each with those apart in which the current moves most."""
    alike = np.array_split(np.argsort(sizes, kind="stable"), _SIZE_CLASSES)
    classes = []
    for part in alike:
        by_move = part[np.argsort(np.abs(moved_a[part]), kind="stable")]
        classes += np.split(by_move, [round(_STEADY_SHARE * len(part))])
    return [part for part in classes if len(part)]


def independent_rows(standardised: Floats) -> float:
    """Return how many independent rows residuals are worth that hang together.

    n over 1 + 2 times the sum of the autocorrelation up to its first value below zero (Geyer, Statistical
    Science 7 (1992) 473, has such sums; from memory).
    """
    count = len(standardised)
    centred = standardised - standardised.mean()
    power = np.abs(np.fft.rfft(centred, 2 * count)) ** 2
    covariance = np.fft.irfft(power)[:count]
    if covariance[0] <= 0:
        return float(count)
    correlation = covariance / covariance[0]
    negative = np.flatnonzero(correlation < 0)
    end = int(negative[0]) if len(negative) else count
    return count / max(1.0, float(2.0 * correlation[:end].sum() - 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class Covariance:
    """How well coefficients (p) are known, residuals each alone or hanging together in time.

    `triangle` (p, p) R with R'R the matrix of the normal equations, of coefficients multiplied by `sizes`
    (p); `together` (p, p) what stands between its inverses where residuals hang together, 1 where each is
    alone.
    """

    triangle: Floats
    sizes: Floats
    together: Floats

    def u(self, weights: Floats) -> Floats:
        """Return the standard uncertainties (k), the larger ones, of weighted sums (k, p) of coefficients."""
        from scipy.linalg import solve_triangular

        half = solve_triangular(self.triangle, (weights / self.sizes).T, trans="T")
        alone = np.einsum("ik,ik->k", half, half)
        together = np.einsum("ik,ij,jk->k", half, self.together, half, optimize=True)
        larger: Floats = np.sqrt(np.maximum(alone, together))
        return larger


def covariance_of(jacobian: Floats, priors: Floats, standardised: Floats, times_s: Floats) -> Covariance:
    """Return the covariance of coefficients fitted by weighted least squares.

    `jacobian` (n, p) and `standardised` residuals (n) are divided by the rows' standard deviations;
    `priors` (r, p) are rows of standard deviation 1. A coefficient of which neither says anything is taken
    as known. Residuals that hang together: H^-1 (S + P'P) H^-1 with H = J'J + P'P and S the sum over scores
    of neighbouring spans of time, weighted by a triangle (Newey and West, Econometrica 55 (1987) 703; from
    memory). By QR, because the state of charge and the deviation from the curve are nearly the same.
    """
    sizes = np.sqrt(np.sum(jacobian**2, axis=0) + np.sum(priors**2, axis=0))
    silent = sizes == 0
    sizes[silent] = 1.0
    pinned = np.diag(silent.astype(np.float64))
    expected = np.vstack([priors / sizes, pinned])
    _, triangle = orthonormal(np.vstack([jacobian / sizes, expected]))
    inverse = np.linalg.inv(triangle)
    span_s = max(float(times_s[-1] - times_s[0]), np.finfo(float).tiny)
    span_of = np.minimum((times_s - times_s[0]) / span_s * _SPANS, _SPANS - 1).astype(np.int64)
    scores = np.zeros((_SPANS, len(sizes)))
    np.add.at(scores, span_of, jacobian / sizes * standardised[:, None])
    scores, expected = scores @ inverse, expected @ inverse
    summed = scores.T @ scores + expected.T @ expected
    for lag in range(1, _LAGS):
        between = scores[lag:].T @ scores[:-lag]
        summed += (1.0 - lag / _LAGS) * (between + between.T)
    return Covariance(triangle, sizes, summed)
