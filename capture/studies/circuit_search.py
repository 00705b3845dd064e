"""How many RC pairs a run determines, and around which state of charge of the pack."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.block_noise import block_variances
from capture.studies.fitted_circuit import ChargeState, FittedCircuit, OpenCircuitFall, polarisation
from capture.studies.known_coefficients import KnownCoefficients
from capture.studies.known_pack import CAPACITY_LN_SD
from capture.studies.open_circuit_terms import (
    START_SOC_SD,
    guessed_capacity_c,
    knots_beyond,
    knots_of,
    known_terms,
    unknown_terms,
)
from capture.studies.separable_fit import SeparableFit
from capture.studies.step_noise import step_noise

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from capture.studies.known_pack import KnownPack
    from capture.studies.open_circuit_terms import OpenCircuitTerms
    from capture.studies.separable_fit import Solution
    from capture.studies.thinning import Stretch

    Floats = npt.NDArray[np.float64]

_MOST_PAIRS: Final = 2
_ORDINALS: Final = ("no", "first", "second")
#: Rounds of laying the open-circuit terms anew around what the fit found.
_ROUNDS: Final = 3
_MOST_LN: Final = 1.0
_IDLE_A: Final = 0.5
#: Sums of a million float64 readings are this good.
_ROUNDING: Final = 1e-9
#: Before anything is known, a block mean is trusted to this share of the voltage.
_FIRST_REST_SHARE: Final = 1e-4
#: Where the open-circuit voltage is told: so many charges within the run, and beyond it.
_WITHIN: Final = 400
_BEYOND: Final = 100
_LEAST_UNSEEN_V: Final = 1e-3
#: A pack of which only the load is known holds at least what the heaviest load of cordless tools would empty
#: as fast as they do, and usually so many times as much. Common practice, no source.
_USUAL_OVER_LEAST: Final = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Determined:
    """What a run determines: the fit with the most pairs, None where it determines no R0.

    `richer` are fits with more pairs that it could not tell from it, `undetermined` says why in words.
    """

    known: KnownCoefficients | None
    richer: tuple[KnownCoefficients, ...]
    undetermined: tuple[str, ...]


class CircuitSearch:
    """Stretches of a run against what is known of the pack, None where nothing is."""

    def __init__(
        self, stretches: Sequence[Stretch], pack: KnownPack | None, resolution_v: float = 0.0
    ) -> None:
        self._stretches = stretches
        self._pack = pack
        self._voltage_v = np.concatenate([stretch.means(stretch.voltage_v) for stretch in stretches])
        self._current_a = self._block_means([stretch.current_a for stretch in stretches])
        drawn = [stretch.drawn_c for stretch in stretches]
        self._drawn_c = self._block_means(drawn)
        self._run_c = (min(float(row.min()) for row in drawn), max(float(row.max()) for row in drawn))
        self._times_s = np.concatenate(
            [stretch.start_s + stretch.step_s * stretch.means(stretch.at) for stretch in stretches]
        )
        self._sizes = np.concatenate([stretch.sizes for stretch in stretches])
        self._moved_a = np.concatenate([stretch.moved_a() for stretch in stretches])
        self._noise_v = step_noise(np.concatenate([np.diff(stretch.voltage_v) for stretch in stretches]))
        self._floor_v2 = self._least_variance(resolution_v)
        self._soc, self._ln_capacity = self._first_guess(), 0.0
        self._taus_s: tuple[float, ...] | None = None
        self._edges_v2: Floats = np.zeros(len(self._voltage_v))

    def _least_variance(self, resolution_v: float) -> float:
        """Return the variance that no mean can fall below: one count's, where noise does not blur it.

        A rectangle of one count (JCGM 100:2008, 4.3.7). Of readings without any, what float64 sums leave.
        """
        count_v2 = resolution_v**2 / 12.0 if self._noise_v < resolution_v else 0.0
        return max(count_v2, (_ROUNDING * float(np.median(np.abs(self._voltage_v)))) ** 2)

    def _block_means(self, series: Sequence[Floats]) -> Floats:
        return np.concatenate(
            [
                stretch.means(stretch.at_readings(row))
                for stretch, row in zip(self._stretches, series, strict=True)
            ]
        )

    def _first_guess(self) -> float:
        """Return the state of charge that the voltage tells at the start, at rest if there is one."""
        if self._pack is None:
            return 0.0
        loaded = np.flatnonzero(np.abs(self._current_a) > _IDLE_A)
        before = int(loaded[0]) if len(loaded) else len(self._current_a)
        rest_v = self._voltage_v[:before] if before else self._voltage_v[:1]
        return float(self._pack.curve.soc(np.array([np.median(rest_v) / self._pack.series]))[0])

    def _terms(self, drawn_c: Floats) -> OpenCircuitTerms:
        """Return the open-circuit terms at charges drawn, around what is known so far."""
        if self._pack is None:
            return unknown_terms(drawn_c, self._run_c, float(self._voltage_v[0]), self._load_a())
        capacity_c = self._pack.capacity_c
        empty_c = self._soc * capacity_c * float(np.exp(self._ln_capacity))
        knots_c = knots_beyond(knots_of(capacity_c, self._run_c), empty_c, capacity_c)
        return known_terms(self._pack, self._soc, self._ln_capacity, drawn_c, knots_c)

    def _block_terms(self) -> OpenCircuitTerms:
        """Return the terms at the blocks, with the charge that went unseen in the holes between stretches."""
        terms = self._terms(self._drawn_c)
        begun = self._times_s[:, None] >= np.array([stretch.start_s for stretch in self._stretches[1:]])
        return terms.with_columns(begun * self._unseen_sds_v())

    def _unseen_sds_v(self) -> Floats:
        """Return by how much the open-circuit voltage may have moved in the hole before each stretch."""
        load_a = self._load_a()
        per_c = _fall_per_coulomb(self._voltage_v, self._drawn_c)
        return np.array(
            [max(per_c * load_a * stretch.lost_s, _LEAST_UNSEEN_V) for stretch in self._stretches[1:]]
        )

    @property
    def times_s(self) -> Floats:
        """When each block was read (n), as the mean of its readings, in seconds since the first sample."""
        return self._times_s

    @property
    def noise_variance_v2(self) -> Floats:
        """The variance of each block mean (n) by noise of readings, one count, and edges between readings."""
        least: Floats = np.maximum(self._noise_v**2 / self._sizes, self._floor_v2)
        return least + self._edges_v2

    @property
    def drawn_c(self) -> Floats:
        """The charge drawn until each block (n)."""
        return self._drawn_c

    @property
    def moved_a(self) -> Floats:
        """By how much the mean current of each block (n) changes with one interval of delay."""
        return self._moved_a

    @property
    def run_c(self) -> tuple[float, float]:
        """The least and the most charge drawn in the run."""
        return self._run_c

    @property
    def capacity_c(self) -> float:
        """About how much the pack holds: its rating, or what its load usually tells."""
        if self._pack is not None:
            return self._pack.capacity_c
        return _USUAL_OVER_LEAST * guessed_capacity_c(self._load_a())

    def _load_a(self) -> float:
        return float(np.quantile(np.abs(self._current_a), 0.95))

    def circuit(self) -> FittedCircuit | None:
        """Return the circuit with as many pairs as the run determines; None where it determines no R0."""
        found = self.determined(self.settled())
        if found.known is None:
            return None
        return self._circuit(found.known, found.richer, found.undetermined)

    def roughly(self, taus_s: Sequence[float]) -> tuple[Floats, tuple[float, ...]]:
        """Return R0 and the resistances at about these time constants, before anything else is known."""
        fit = SeparableFit(self._stretches, self._voltage_v, self._block_terms(), self._first_variances())
        return fit.solve(np.clip(taus_s, fit.shortest_s, fit.longest_s).tolist()).resistances(fit)

    def pairs_of(self, fit: SeparableFit) -> tuple[Floats, tuple[float, ...]]:
        """Return R0 and the resistances of two pairs, and their time constants, of a fit that was settled."""
        if self._taus_s is None:
            return fit.search(_MOST_PAIRS).resistances(fit)
        return fit.solve(self._taus_s).resistances(fit)

    def settled(self, further: Floats | None = None, taus_s: tuple[float, ...] | None = None) -> SeparableFit:
        """Return the fit with its terms laid around what two pairs find, and the variances these leave.

        `further` (n, k) are columns of terms behind all others, coefficients near 0 to within 1. Time
        constants that are given are not searched for.
        """

        def terms() -> OpenCircuitTerms:
            plain = self._block_terms()
            return plain if further is None else plain.with_columns(further)

        variance = self._first_variances()
        start_s = taus_s
        for _ in range(_ROUNDS):
            fit = SeparableFit(self._stretches, self._voltage_v, terms(), variance)
            solution = fit.search(_MOST_PAIRS, start_s) if taus_s is None else fit.solve(taus_s)
            told, self._edges_v2 = block_variances(solution.residual_v, self._sizes, self._moved_a)
            variance = np.maximum(told, self._floor_v2)
            start_s = None if taus_s is None and fit.at_an_end(solution.taus_s) else solution.taus_s
            self._move_to(solution)
        self._taus_s = start_s
        return SeparableFit(self._stretches, self._voltage_v, terms(), variance)

    def _first_variances(self) -> Floats:
        """Return variances to begin with: noise from reading to reading, and a little that always stays."""
        rest_v = _FIRST_REST_SHARE * float(np.median(self._voltage_v))
        first: Floats = self._noise_v**2 / self._sizes + rest_v**2
        return first

    def _move_to(self, solution: Solution) -> None:
        """Take over the state of charge and the capacity that a solution has."""
        if self._pack is not None:
            self._soc = float(np.clip(self._soc + START_SOC_SD * solution.coefficients[0], 0.0, 1.0))
            ln_capacity = self._ln_capacity + CAPACITY_LN_SD * solution.coefficients[1]
            self._ln_capacity = float(np.clip(ln_capacity, -_MOST_LN, _MOST_LN))

    def determined(self, fit: SeparableFit) -> Determined:
        """Return the fit with the most pairs of which each is determined, and what is not."""
        undetermined: list[str] = []
        richer: list[KnownCoefficients] = []
        solutions = [fit.search(pairs) for pairs in range(_MOST_PAIRS)]
        solutions.append(fit.search(_MOST_PAIRS, self._taus_s))
        for pairs in range(_MOST_PAIRS, -1, -1):
            known = KnownCoefficients(fit, solutions[pairs], self._times_s)
            fault = known.fault(solutions[pairs - 1]) if pairs else None
            if fault is None:
                return Determined(known if known.ohmic > 0 else None, tuple(richer), tuple(undetermined))
            richer.append(known)
            undetermined.append(f"{_ORDINALS[pairs]} RC pair: {fault}")
        return Determined(None, tuple(richer), tuple(undetermined))

    def _circuit(
        self, known: KnownCoefficients, richer: Sequence[KnownCoefficients], undetermined: tuple[str, ...]
    ) -> FittedCircuit:
        open_circuit = self._open_circuit(known, richer)
        last = self._stretches[-1]
        return FittedCircuit(
            ohmic=known.ohmic,
            u_ohmic=known.u_ohmic,
            pairs=known.pairs(),
            started_v=known.started_v(0),
            open_circuit=open_circuit,
            drawn_c=float(last.drawn_c[-1]),
            span_s=last.start_s + last.span_s,
            charge_state=None if self._pack is None else self._charge_state(known),
            rmse_v=self._rmse_v(known, open_circuit),
            undetermined=undetermined,
        )

    def _open_circuit(self, known: KnownCoefficients, richer: Sequence[KnownCoefficients]) -> OpenCircuitFall:
        """Return the open-circuit voltage against the charge drawn, to beyond the run.

        What a slow pair does that cannot be told from a fall is in the fall: by how much the fits with such
        pairs differ is part of the uncertainty.
        """
        low, high = self._run_c
        left_c = 0.5 * (high - low)
        if self._pack is not None:
            left_c = max(0.0, self._soc * self._pack.capacity_c * np.exp(self._ln_capacity) - high)
        beyond = high + left_c * np.arange(1, _BEYOND + 1) / _BEYOND
        drawn_c = np.concatenate([np.linspace(low, high, _WITHIN), beyond if left_c > 0 else []])
        terms = self._terms(drawn_c)
        changes = terms.columns - terms.columns[:1]
        u_v = known.u_of_terms(changes)
        for other in richer:
            u_v = np.hypot(u_v, changes @ (other.terms - known.terms)[: changes.shape[1]])
        return OpenCircuitFall(drawn_c, terms.base_v + terms.columns @ known.terms[: changes.shape[1]], u_v)

    def _charge_state(self, known: KnownCoefficients) -> ChargeState:
        """Return the state of charge and the capacity the terms were laid around, as the fit moved them."""
        assert self._pack is not None  # noqa: S101  the caller asks only of a known pack
        change_soc, change_ln = known.solution.coefficients[:2] * (START_SOC_SD, CAPACITY_LN_SD)
        capacity_c = self._pack.capacity_c * float(np.exp(self._ln_capacity + change_ln))
        start = float(np.clip(self._soc + change_soc, 0.0, 1.0))
        share = float(self._stretches[-1].drawn_c[-1]) / capacity_c
        weights = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, share]]) * (START_SOC_SD, CAPACITY_LN_SD)
        u_start, u_ln, u_end = known.u_of_terms(weights)
        return ChargeState(
            start,
            float(u_start),
            start - share,
            float(u_end),
            capacity_c,
            capacity_c * float(u_ln),
            self._pack.curve.learnt,
        )

    def _rmse_v(self, known: KnownCoefficients, open_circuit: OpenCircuitFall) -> float:
        """Return the root mean square of what the fit leaves of every single reading, noise and all."""
        squares, readings = 0.0, 0
        sds_v = self._unseen_sds_v()
        first = self._terms(self._drawn_c[:1]).columns.shape[1]
        unseen_v = np.cumsum([0.0, *(known.solution.coefficients[first : first + len(sds_v)] * sds_v)])
        for number, stretch in enumerate(self._stretches):
            model = open_circuit.at(stretch.drawn_c) + unseen_v[number] - known.ohmic * stretch.current_a
            model -= polarisation(known.pairs(), known.started_v(number), stretch.current_a, stretch.step_s)
            left = stretch.voltage_v - stretch.at_readings(model)
            squares, readings = squares + float(left @ left), readings + len(left)
        return float(np.sqrt(squares / readings))


def _fall_per_coulomb(voltage_v: Floats, drawn_c: Floats) -> float:
    """Return roughly how steeply the voltage falls over the run in V/C; 0 where nothing was drawn."""
    span_c = float(np.ptp(drawn_c))
    return float(np.ptp(voltage_v)) / span_c if span_c > 0 else 0.0
