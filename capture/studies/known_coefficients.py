"""What a fit's coefficients mean and how well they are known: resistances, time constants, sums of terms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.block_noise import covariance_of, independent_rows
from capture.studies.drift import PARTS, parts_of_pairs
from capture.studies.fitted_circuit import FittedPair

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.studies.separable_fit import SeparableFit, Solution

    Floats = npt.NDArray[np.float64]

#: A pair is determined when its resistance is so many uncertainties away from nothing, when the logarithm of
#: its time constant is known to so much, and when it makes the fit better by more than its numbers cost. The
#: last decides: of two pairs close to each other the run may need both and yet tell neither well.
_LEAST_SIGMAS: Final = 1.0
_MOST_U_LN_TAU: Final = 0.5
_NUMBERS_OF_A_PAIR: Final = 3
_LN_STEP: Final = 1e-3


class KnownCoefficients:
    """The coefficients of one solution: the open-circuit terms, R0, resistances, start states, ln of taus."""

    def __init__(self, fit: SeparableFit, solution: Solution, times_s: Floats) -> None:
        self.solution = solution
        self._fit = fit
        self._pairs = len(solution.taus_s)
        self._first = fit.terms.columns.shape[1]
        columns = [fit.design(solution.taus_s), *(self._by_ln_tau(pair) for pair in range(self._pairs))]
        priors = fit.priors(self._pairs)
        self._standardised = solution.residual_v * fit.root_weight
        dropped = np.concatenate([solution.coefficients == 0, np.zeros(self._pairs, dtype=bool)])
        jacobian = np.hstack(columns) * fit.root_weight[:, None]
        jacobian[:, dropped] = 0.0
        self._covariance = covariance_of(
            jacobian, np.pad(priors, ((0, 0), (0, self._pairs))), self._standardised, times_s
        )
        self.count = jacobian.shape[1]

    def _by_ln_tau(self, pair: int) -> Floats:
        """Return by how much the voltage changes (n, 1) with the logarithm of a time constant."""
        tau_s, stretches = self.solution.taus_s[pair], self._fit.stretches
        change = self._fit.pair_columns(tau_s * np.exp(_LN_STEP)) - self._fit.pair_columns(
            tau_s * np.exp(-_LN_STEP)
        )
        first = self._first + 1 + self._pairs + pair * stretches
        weights = np.concatenate([[self._ohm(pair)], self.solution.coefficients[first : first + stretches]])
        slope: Floats = (change @ weights)[:, None] / (2 * _LN_STEP)
        return slope

    def _ohm(self, pair: int) -> float:
        return float(self.solution.coefficients[self._first + 1 + pair])

    @property
    def ohmic(self) -> float:
        """R0 in ohm."""
        return float(self.solution.coefficients[self._first])

    @property
    def u_ohmic(self) -> float:
        """Standard uncertainty of R0."""
        return self._u_of(self._first)

    @property
    def terms(self) -> Floats:
        """The coefficients of the open-circuit terms."""
        return self.solution.coefficients[: self._first]

    def started_v(self, stretch: int) -> tuple[float, ...]:
        """Return what each pair held, in V, when a stretch began."""
        first = self._first + 1 + self._pairs + stretch
        stretches = self._fit.stretches
        return tuple(
            float(self.solution.coefficients[first + pair * stretches]) for pair in range(self._pairs)
        )

    def pairs(self) -> tuple[FittedPair, ...]:
        """Return the RC pairs, fastest first."""
        return tuple(
            FittedPair(
                self._ohm(pair), self._u_of(self._first + 1 + pair), tau_s, tau_s * self._u_ln_tau(pair)
            )
            for pair, tau_s in enumerate(self.solution.taus_s)
        )

    def response_at(self, after_s: float, form: Floats) -> tuple[float, float]:
        """Return the resistance `after_s` seconds after a step in ohm, and its standard uncertainty.

        Z = R0 + sum of R (1 - exp(-t / tau)), and by ln tau -R t / tau exp(-t / tau). `form` (m) is the form
        of the drift where it is asked for; the last terms are those of the parts of `studies.drift`.
        """
        drifting = PARTS * len(form)
        drifts = self.terms[self._first - drifting :].reshape(PARTS, -1) @ form + 1.0
        part = parts_of_pairs(self.solution.taus_s)
        ratio = after_s / np.array(self.solution.taus_s)
        ohms = np.array([self._ohm(pair) for pair in range(self._pairs)])
        weights = np.zeros((1, self.count))
        each = np.bincount(part, -np.expm1(-ratio) * ohms, PARTS)
        each[0] = self.ohmic
        weights[0, self._first] = drifts[0]
        weights[0, self._first + 1 : self._first + 1 + self._pairs] = -np.expm1(-ratio) * drifts[part]
        weights[0, self.count - self._pairs :] = -ohms * ratio * np.exp(-ratio) * drifts[part]
        weights[0, self._first - drifting : self._first] = np.outer(each, form).ravel()
        return float(drifts @ each), float(self._covariance.u(weights)[0])

    def u_of_terms(self, weights: Floats) -> Floats:
        """Return the standard uncertainties (k) of weighted sums (k, terms) of the open-circuit terms."""
        padded = np.pad(weights, ((0, 0), (0, self.count - weights.shape[1])))
        return self._covariance.u(padded)

    def _u_of(self, coefficient: int) -> float:
        return float(self._covariance.u(np.eye(self.count)[coefficient : coefficient + 1])[0])

    def _u_ln_tau(self, pair: int) -> float:
        return self._u_of(self.count - self._pairs + pair)

    def fault(self, simpler: Solution) -> str | None:
        """Return why a pair is not determined, against the best fit with one pair less; None if all are."""
        for pair, found in enumerate(self.pairs()):
            if found.ohm <= _LEAST_SIGMAS * found.u_ohm:
                return "its resistance cannot be told from none"
            if self._fit.at_an_end([found.tau_s]):
                return "its time constant lies outside of what the run can show"
            if self._u_ln_tau(pair) > _MOST_U_LN_TAU:
                return "its time constant cannot be told"
        rows = independent_rows(self._standardised)
        better = (simpler.squares - self.solution.squares) * rows / len(self._standardised)
        if better < _NUMBERS_OF_A_PAIR * np.log(rows):
            return "the run is explained as well without it (Schwarz criterion)"
        return None
