"""The step response of a pack: its resistance after any time, from a run whose current never holds still.

v = open-circuit voltage - Z * di, with Z(t) = R0 + sum of R_j (1 - exp(-t / tau_j)). Two forms of it are
fitted to all currents of the run at once, which deconvolves them. A circuit of up to two pairs whose time
constants are searched for; and a ladder of fixed time constants, none of its resistances negative, which
any pack has that only relaxes (a distribution of relaxation times). The circuit is taken where what it
leaves of the run is hardly more than what the ladder leaves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.block_noise import covariance_of
from capture.studies.drift import PARTS, parts_of_pairs
from capture.studies.orthonormal import orthonormal

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from capture.studies.block_noise import Covariance
    from capture.studies.known_coefficients import KnownCoefficients
    from capture.studies.separable_fit import SeparableFit

    Floats = npt.NDArray[np.float64]

#: Rungs of the ladder in a decade: with 3, between two rungs a pair is missed by 1 % of it, with 8 by 0.1 %.
_PER_DECADE: Final = 8
#: Faster than this, samples of a hobby logger cannot tell a pair from R0. Common practice, no source.
_FASTEST_S: Final = 0.02
#: Slower than this, relaxation cannot be told from the fall of the open-circuit voltage within a cut.
_SLOWEST_S: Final = 200.0
#: Neighbouring rungs are alike to within this share of the resistance: what the run does not tell is bound by
#: it. Common practice, no source.
_ALIKE_SHARE: Final = 0.5
#: A circuit explains a run as well as the ladder where its sum of squares is at most so many times as large:
#: of simulated packs of one or two pairs it was up to 1.6 times, of packs that diffuse 5 to 300 times.
_AS_WELL: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Ladder:
    """The response as a ladder: `ohms` (1 + rungs) are R0 and the rungs' at `taus_s` (rungs).

    `residual_v` (n) is what it leaves at each block, `terms` are the coefficients of the open-circuit terms.
    """

    taus_s: tuple[float, ...]
    ohms: Floats
    residual_v: Floats
    terms: Floats
    squares: float
    _covariance: Covariance
    _first: int

    def at(self, after_s: float, form: Floats) -> tuple[float, float]:
        """Return the resistance `after_s` seconds after a step in ohm, and its uncertainty from the fit.

        `form` is as `KnownCoefficients.response_at` has it.
        """
        terms, drifting = len(self.terms), PARTS * len(form)
        drifts = self.terms[terms - drifting :].reshape(PARTS, -1) @ form + 1.0
        part = np.concatenate([[0], parts_of_pairs(self.taus_s)])
        reached = np.concatenate([[1.0], -np.expm1(-after_s / np.array(self.taus_s))])
        weights = np.zeros((1, self._first + len(reached)))
        weights[0, self._first :] = reached * drifts[part]
        each = np.bincount(part, reached * self.ohms, PARTS)
        weights[0, terms - drifting : terms] = np.outer(each, form).ravel()
        return float(drifts @ each), float(self._covariance.u(weights)[0])


@dataclass(frozen=True, slots=True, eq=False)
class StepResponse:
    """The response that explains a run, as the circuit (None where it does not do) and as the ladder.

    `circuit_taus_s` are the time constants of the best circuit, whether it does or not.
    """

    circuit: KnownCoefficients | None
    ladder: Ladder
    interval_s: float
    circuit_taus_s: tuple[float, ...] = ()

    @property
    def taus_s(self) -> tuple[float, ...]:
        """The time constants of the form that is taken."""
        return self.ladder.taus_s if self.circuit is None else self.circuit.solution.taus_s

    @property
    def ohms(self) -> Floats:
        """R0 and the resistances that belong to the time constants, in ohm."""
        if self.circuit is None:
            return self.ladder.ohms
        return np.array([self.circuit.ohmic, *(pair.ohm for pair in self.circuit.pairs())])

    @property
    def terms(self) -> Floats:
        """The coefficients of the open-circuit terms, in the order of the fit."""
        if self.circuit is None:
            return self.ladder.terms
        return self.circuit.solution.coefficients[: len(self.ladder.terms)]

    @property
    def residual_v(self) -> Floats:
        """What the form that is taken leaves over at each block (n, V)."""
        return self.ladder.residual_v if self.circuit is None else self.circuit.solution.residual_v

    def parts_at(self, after_s: float) -> Floats:
        """Return the parts (PARTS) of the resistance so long after a step, in ohm."""
        part = np.concatenate([[0], parts_of_pairs(self.taus_s)])
        reached = np.concatenate([[1.0], -np.expm1(-after_s / np.array(self.taus_s))])
        return np.bincount(part, reached * self.ohms, PARTS).astype(np.float64)

    def at(self, after_s: float, form: Floats) -> tuple[float, float]:
        """Return the resistance `after_s` seconds after a step in ohm, and the fit's own uncertainty of it.

        `form` (m) is the form of the drift where it is asked for, of no length without one.

        When within `interval_s` between two samples the current stepped nobody knows, nor what a mean over
        it makes of that: what the response does in so long is a rectangle's half width. By how much the two
        forms differ is part of the circuit's uncertainty likewise (JCGM 100:2008, 4.3.7): which of them
        the pack is nobody knows. Where a circuit tells its pairs apart badly, the ladder bounds what it says.
        """
        taus_s = np.array(self.taus_s)
        shares = np.exp(-after_s / taus_s) * -np.expm1(-self.interval_s / taus_s)
        moved = float(shares @ self.ohms[1:]) / 3**0.5
        ohm, u_ohm = self.ladder.at(after_s, form)
        if self.circuit is None:
            return ohm, float(np.hypot(u_ohm, moved))
        simple_ohm, u_simple = self.circuit.response_at(after_s, form)
        apart = abs(simple_ohm - ohm)
        u_told = min(float(np.hypot(u_simple, apart / 3**0.5)), float(np.hypot(u_ohm, apart)))
        return simple_ohm, float(np.hypot(u_told, moved))


def step_response(
    fit: SeparableFit, circuits: Sequence[KnownCoefficients], times_s: Floats
) -> StepResponse | None:
    """Return the response that explains a thinned run; None where the run shows no resistance.

    `circuits` are those that may explain it, the first that does is taken; `times_s` (n) is when each block
    was read.
    """
    pair_s = circuits[-1].solution.taus_s if circuits else ()
    ladder = _ladder(fit, times_s, pair_s)
    if ladder is None:
        return None
    taken = next((circuit for circuit in circuits if _explains(circuit, ladder)), None)
    taus_s = pair_s if taken is None else taken.solution.taus_s
    return StepResponse(taken, ladder, fit.interval_s, taus_s)


def _explains(circuit: KnownCoefficients, ladder: Ladder) -> bool:
    """Return whether a circuit leaves of the run hardly more than the ladder, by their sums of squares.

    What the ladder leaves is the noise, drift and all that is in no response. A pack of two pairs leaves up
    to a half more, because it cannot bend to those; one that is no circuit leaves several times as much.
    Where it needs a pair slower than the ladder's slowest, that pair may be the open-circuit voltage.
    """
    told = circuit.ohmic > 0 and max(circuit.solution.taus_s, default=0.0) <= _SLOWEST_S
    return told and bool(circuit.solution.squares <= _AS_WELL * ladder.squares)


def _ladder(fit: SeparableFit, times_s: Floats, pair_s: Sequence[float]) -> Ladder | None:
    """Return the ladder fitted to the run: least squares, its resistances not negative."""
    from scipy.optimize import nnls

    taus_s = sorted({*_rungs(fit), *pair_s})
    free = fit.terms.columns.shape[1] + len(taus_s) * fit.stretches
    scale_ohm = _scale_ohm(fit)
    if scale_ohm <= 0:
        return None
    design, priors = _free_first(fit, taus_s)
    priors = np.vstack([priors, _alike(len(taus_s), free, scale_ohm)])
    expected = np.concatenate([fit.terms.expected, np.zeros(len(priors) - len(fit.terms.expected))])
    weighted = design * fit.root_weight[:, None]
    aim = np.concatenate([fit.target_v * fit.root_weight, expected])
    basis, triangle = orthonormal(np.vstack([weighted, priors]))
    along = basis.T @ aim
    ohms, _ = nnls(triangle[free:, free:], along[free:])
    if ohms.sum() <= 0:
        return None
    others = np.linalg.solve(triangle[:free, :free], along[:free] - triangle[:free, free:] @ ohms)
    found = np.concatenate([others, ohms])
    residual_v = fit.target_v - design @ found
    standardised = residual_v * fit.root_weight
    left = np.concatenate([standardised, expected - priors @ found])
    covariance = covariance_of(weighted, priors, standardised, times_s)
    terms = others[: fit.terms.columns.shape[1]]
    return Ladder(tuple(taus_s), ohms, residual_v, terms, float(left @ left), covariance, free)


def _rungs(fit: SeparableFit) -> list[float]:
    """Return the time constants of the ladder: from the fastest that samples tell to the run's slowest."""
    shortest_s = max(_FASTEST_S, fit.shortest_s)
    longest_s = max(min(_SLOWEST_S, fit.longest_s), 2 * shortest_s)
    count = round(np.log10(longest_s / shortest_s) * _PER_DECADE) + 1
    rungs: list[float] = np.geomspace(shortest_s, longest_s, max(2, count)).tolist()
    return rungs


def _free_first(fit: SeparableFit, taus_s: Sequence[float]) -> tuple[Floats, Floats]:
    """Return design and priors with the coefficients that may be negative before the resistances."""
    terms, rungs = fit.terms.columns.shape[1], len(taus_s)
    order = np.concatenate(
        [
            np.arange(terms),
            np.arange(terms + 1 + rungs, terms + 1 + rungs + rungs * fit.stretches),
            np.arange(terms, terms + 1 + rungs),
        ]
    )
    return fit.design(taus_s)[:, order], fit.priors(rungs)[:, order]


def _scale_ohm(fit: SeparableFit) -> float:
    """Return about how large the resistance is: that of the simplest fit, R0 and one pair."""
    solution = fit.solve((fit.longest_s**0.5 * fit.shortest_s**0.5,))
    first = fit.terms.columns.shape[1]
    return float(solution.coefficients[first : first + 2].sum())


def _alike(rungs: int, free: int, scale_ohm: float) -> Floats:
    """Return prior rows: each rung near its neighbour, and the outermost near nothing."""
    rows = np.zeros((rungs + 1, free + 1 + rungs))
    per_ohm = 1.0 / (_ALIKE_SHARE * scale_ohm)
    for rung in range(1, rungs):
        rows[rung, free + rung], rows[rung, free + rung + 1] = -per_ohm, per_ohm
    rows[0, free + 1] = rows[rungs, free + rungs] = per_ohm
    return rows
