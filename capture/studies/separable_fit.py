"""The fit of R0 and RC pairs to a thinned run: least squares over the time constants, the rest is linear.

Variable projection (Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413; from memory): for given time
constants all else, the resistances, the states the pairs start a stretch with, and the terms of the
open-circuit voltage, is a linear least squares problem, so only the time constants are searched for.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.orthonormal import orthonormal
from capture.studies.relaxation import decay, relaxed_current

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from capture.studies.open_circuit_terms import OpenCircuitTerms
    from capture.studies.thinning import Stretch

    Floats = npt.NDArray[np.float64]

#: Standard deviation of what a pair still holds when a stretch begins, as a share of the voltage.
_LEFT_OVER_SHARE: Final = 0.05
#: Time constants tried first, a decade in so many steps.
_PER_DECADE: Final = 4
_LN_STEP: Final = 1e-3
#: A time constant so close to an end of what is searched (ln) is that end.
_AT_THE_END: Final = 0.02
_RIDGE: Final = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """A fit: time constants in s (rising), `coefficients` (p) of its design matrix, what it leaves (n, V).

    The coefficients are those of the open-circuit terms, then R0, then the resistances of the pairs, then the
    voltages that each pair has at the start of each stretch. `squares` is the weighted sum of squares, priors
    included.
    """

    taus_s: tuple[float, ...]
    coefficients: Floats
    residual_v: Floats
    squares: float

    def resistances(self, fit: SeparableFit) -> tuple[Floats, tuple[float, ...]]:
        """Return R0 and the resistances of the pairs in ohm (1 + pairs), and the time constants."""
        first = fit.terms.columns.shape[1]
        return self.coefficients[first : first + 1 + len(self.taus_s)], self.taus_s


class SeparableFit:
    """A thinned run against its terms; `variance_v2` (n) is that of each block mean.

    Columns are computed once for each time constant and kept, because the search changes one at a time.
    """

    def __init__(
        self, stretches: Sequence[Stretch], voltage_v: Floats, terms: OpenCircuitTerms, variance_v2: Floats
    ) -> None:
        self._stretches = stretches
        self.terms = terms
        self.target_v = voltage_v - terms.base_v
        self.root_weight = 1.0 / np.sqrt(variance_v2)
        self._left_over_sd_v = _LEFT_OVER_SHARE * float(np.median(voltage_v))
        whole = np.vstack([terms.columns * self.root_weight[:, None], np.eye(terms.columns.shape[1])])
        self._basis, self._triangle = orthonormal(whole)
        self._aim = np.concatenate([self.target_v * self.root_weight, terms.expected])
        self._aim_left = self._aim - self._basis @ (self._basis.T @ self._aim)
        self._known_columns: dict[float, Floats] = {}
        self._known_left: dict[float, Floats] = {}
        self._ohmic = -np.concatenate(
            [stretch.means(stretch.at_readings(stretch.current_a)) for stretch in stretches]
        )[:, None]
        self._ohmic_left = self._left_of(self._ohmic)

    @property
    def stretches(self) -> int:
        """How many stretches there are, each with start states of its own."""
        return len(self._stretches)

    @property
    def interval_s(self) -> float:
        """How far apart the instants of the current are."""
        return self._stretches[0].step_s

    @property
    def shortest_s(self) -> float:
        """The shortest time constant that the instants can show: two of their steps."""
        return 2.0 * self.interval_s

    @property
    def longest_s(self) -> float:
        """The longest time constant that a stretch can show: half its length."""
        return max(0.5 * max(stretch.span_s for stretch in self._stretches), 2.0 * self.shortest_s)

    def at_an_end(self, taus_s: Sequence[float]) -> bool:
        """Return whether one of time constants stands at an end of what is searched: it is that end."""
        ends = np.log([self.shortest_s, self.longest_s])
        return bool(np.any(np.abs(np.log(taus_s)[:, None] - ends) < _AT_THE_END))

    def pair_columns(self, tau_s: float) -> Floats:
        """Return the columns (n, 1 + stretches) of a pair: its resistance, and what it starts each with."""
        known = self._known_columns.get(tau_s)
        if known is None:
            known = self._known_columns[tau_s] = self._computed(tau_s)
        return known

    def _computed(self, tau_s: float) -> Floats:
        rows = [len(stretch.blocks) for stretch in self._stretches]
        columns = np.zeros((sum(rows), 1 + len(rows)))
        begin = 0
        for number, stretch in enumerate(self._stretches):
            end = begin + rows[number]
            low = relaxed_current(stretch.current_a, stretch.step_s, tau_s)
            left = decay(len(stretch.current_a), stretch.step_s, tau_s)
            columns[begin:end, 0] = -stretch.means(stretch.at_readings(low))
            columns[begin:end, 1 + number] = -stretch.means(stretch.at_readings(left))
            begin = end
        return columns

    def design(self, taus_s: Sequence[float]) -> Floats:
        """Return the design matrix (n, p), unweighted, in the order of a solution's coefficients."""
        pairs = [self.pair_columns(tau_s) for tau_s in taus_s]
        return np.hstack(
            [
                self.terms.columns,
                self._ohmic,
                *(pair[:, :1] for pair in pairs),
                *(pair[:, 1:] for pair in pairs),
            ]
        )

    def priors(self, pairs: int) -> Floats:
        """Return the rows (r, p) that say what is expected of a solution's coefficients."""
        terms, started = np.eye(self.terms.columns.shape[1]), pairs * len(self._stretches)
        rows = np.zeros((len(terms) + started, terms.shape[1] + 1 + pairs + started))
        rows[: len(terms), : terms.shape[1]] = terms
        rows[len(terms) :, terms.shape[1] + 1 + pairs :] = np.eye(started) / self._left_over_sd_v
        return rows

    def solve(self, taus_s: Sequence[float]) -> Solution:
        """Return the best solution for these time constants, resistances that would be negative being 0."""
        left, aim, found = self._projected_solution(taus_s)
        remaining = aim - left @ found
        free = self.terms.columns.shape[1]
        behind = self.design(taus_s)[:, free:] @ found
        explained = np.concatenate([(self.target_v - behind) * self.root_weight, self.terms.expected])
        fixed = np.linalg.solve(self._triangle, self._basis.T @ explained)
        residual = self.target_v - self.terms.columns @ fixed - behind
        return Solution(tuple(taus_s), np.concatenate([fixed, found]), residual, float(remaining @ remaining))

    def _projected_solution(self, taus_s: Sequence[float]) -> tuple[Floats, Floats, Floats]:
        """Return columns and aim with what the open-circuit terms can explain taken out, and the best sum.

        Below the rows of the fit stand the priors of what the pairs start with.
        """
        pairs, rows = len(taus_s), len(self._aim)
        started = pairs * len(self._stretches)
        left = np.zeros((rows + started, 1 + pairs + started))
        left[:rows, 0] = self._ohmic_left[:, 0]
        for number, tau_s in enumerate(taus_s):
            columns = self._pair_left(tau_s)
            left[:rows, 1 + number] = columns[:, 0]
            first = 1 + pairs + number * len(self._stretches)
            left[:rows, first : first + len(self._stretches)] = columns[:, 1:]
        left[rows:, 1 + pairs :] = np.eye(started) / self._left_over_sd_v
        aim = np.concatenate([self._aim_left, np.zeros(started)])
        return left, aim, _partly_positive(left, aim, positive=1 + pairs)

    def _pair_left(self, tau_s: float) -> Floats:
        known = self._known_left.get(tau_s)
        if known is None:
            known = self._known_left[tau_s] = self._left_of(self.pair_columns(tau_s))
        return known

    def _left_of(self, columns: Floats) -> Floats:
        """Return columns, weighted, with what the open-circuit terms can explain taken out."""
        weighted = columns * self.root_weight[:, None]
        left = -(self._basis @ (self._basis[: len(weighted)].T @ weighted))
        left[: len(weighted)] += weighted
        return left

    def search(self, pairs: int, start_s: Sequence[float] | None = None) -> Solution:
        """Return the best solution with so many pairs, from `start_s` on or from the best of a ladder."""
        if pairs == 0:
            return self.solve(())
        from scipy.optimize import least_squares

        bounds = (np.log(self.shortest_s), np.log(self.longest_s))
        start = np.log(self._best_of_ladder(pairs) if start_s is None else start_s)

        def remaining(ln_taus: Floats) -> Floats:
            left, aim, found = self._projected_solution(np.exp(ln_taus).tolist())
            return aim - left @ found

        within = np.clip(start, bounds[0] + _LN_STEP, bounds[1] - _LN_STEP)
        best = least_squares(
            remaining, within, bounds=bounds, diff_step=[_LN_STEP] * pairs, xtol=1e-6, ftol=1e-9, max_nfev=25
        )
        return self.solve(sorted(np.exp(best.x).tolist()))

    def _best_of_ladder(self, pairs: int) -> tuple[float, ...]:
        """Return the time constants of the best combination on a ladder of equal ratios."""
        decades = np.log10(self.longest_s / self.shortest_s)
        count = max(pairs + 1, round(decades * _PER_DECADE))
        ladder = np.geomspace(self.shortest_s, self.longest_s, count).tolist()

        def squares(taus_s: tuple[float, ...]) -> float:
            left, aim, found = self._projected_solution(taus_s)
            return float(np.sum((aim - left @ found) ** 2))

        return min(combinations(ladder, pairs), key=squares)


def _partly_positive(columns: Floats, aim: Floats, *, positive: int) -> Floats:
    """Return the least squares coefficients of which the first `positive` may not be negative.

    The most negative is taken out until none is left: exact where one at most is in the way.
    """
    kept = np.ones(columns.shape[1], dtype=bool)
    found = np.zeros(columns.shape[1])
    gram, moments = columns.T @ columns, columns.T @ aim
    while kept.any():
        found[:] = 0.0
        found[kept] = _least_squares(gram[np.ix_(kept, kept)], moments[kept])
        lowest = int(np.argmin(found[:positive]))
        if found[lowest] >= 0:
            break
        kept[lowest] = False
    return found


def _least_squares(gram: Floats, moments: Floats) -> Floats:
    """Return the coefficients by normal equations, the columns scaled to one: they are few."""
    sizes = np.sqrt(np.diag(gram))
    sizes[sizes == 0] = 1.0
    scaled = gram / np.outer(sizes, sizes)
    scaled[np.diag_indices_from(scaled)] += _RIDGE
    solved: Floats = np.linalg.solve(scaled, moments / sizes) / sizes
    return solved
