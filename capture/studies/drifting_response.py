"""The step response of a pack that changes within its run: it warms, and near empty its resistance grows.

Z(t) (1 + d x): x is 0 in the middle of the charge drawn and runs from -1/2 to 1/2 over the run; the ohmic
part and the slow part each have a d of their own. What a response makes of the current, times x, is a column
whose coefficient is d: so the fit stays linear, and is repeated with the response that it found.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.quantities import COULOMB_PER_AH
from capture.studies.circuit_search import CircuitSearch
from capture.studies.known_coefficients import KnownCoefficients
from capture.studies.relaxation import relaxed_current
from capture.studies.step_response import step_response

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from capture.run_card import RunCard
    from capture.studies.known_pack import KnownPack
    from capture.studies.separable_fit import SeparableFit
    from capture.studies.step_response import StepResponse
    from capture.studies.thinning import Stretch

    Floats = npt.NDArray[np.float64]

#: Rounds of finding the response with the drift of the one before.
_ROUNDS: Final = 2
#: By how much resistances change over a run before anything is seen, as a standard deviation: a little by
#: warming, and with the share of the capacity that is drawn. Common practice, no source.
_WARMING_SHARE: Final = 0.05
_PER_CAPACITY: Final = 0.5
_UNKNOWN_SHARE: Final = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class DriftingResponse:
    """The response in the middle of a run, and by which shares its parts change from its start to its end.

    `drawn_c` (n) is the charge drawn at each block; `run_c` the least and the most of it.
    """

    response: StepResponse
    drift: Floats
    search: CircuitSearch
    run_c: tuple[float, float]

    def change_at(self, after_s: float) -> float:
        """Return by how much the resistance so long after a step changed over the run, in ohm."""
        ohm, _ = self.response.at(after_s)
        ohmic = float(self.response.ohms[0])
        return abs(float(self.drift @ (ohmic, ohm - ohmic)))

    def shares_at(self, drawn_c: Floats) -> Floats:
        """Return (n, 2) what the ohmic and the slow part are multiplied by at charges drawn (n)."""
        shares: Floats = 1.0 + self.drift[None, :] * _place(drawn_c, self.run_c)[:, None]
        return shares


def drifting_response(
    stretches: Sequence[Stretch],
    pack: KnownPack | None,
    card: RunCard,
    resolution_v: float,
    taus_s: tuple[float, ...] | None = None,
) -> DriftingResponse | None:
    """Return the response that explains a run; None where it shows no resistance.

    Time constants that are given (those of the pack, for one of its groups) are not searched for.
    """
    search = CircuitSearch(stretches, pack, resolution_v)
    drawn_c = search.drawn_c
    run_c = (float(drawn_c.min()), float(drawn_c.max()))
    place = _place(drawn_c, run_c)[:, None]
    sd = _drift_sd(card, run_c)

    def response_of(fit: SeparableFit) -> StepResponse | None:
        if taus_s is None:
            return step_response(fit, search.determined(fit).known, search.times_s)
        known = KnownCoefficients(fit, fit.solve(taus_s), search.times_s)
        return step_response(fit, known, search.times_s)

    response = response_of(search.settled(taus_s=taus_s))
    drift = np.zeros(2)
    for _ in range(_ROUNDS):
        if response is None:
            return None
        parts = parts_of(stretches, response)
        response = response_of(search.settled(-parts * place * sd, taus_s))
        drift = np.zeros(2) if response is None else sd * response.terms[-2:]
    return None if response is None else DriftingResponse(response, drift, search, run_c)


def parts_of(stretches: Sequence[Stretch], response: StepResponse) -> Floats:
    """Return what a response makes of the current at the blocks (n, 2): ohmic and slow part, in V."""
    return np.vstack(
        [
            np.column_stack(
                [
                    stretch.means(stretch.at_readings(part))
                    for part in parts_under(stretch.current_a, stretch.step_s, response)
                ]
            )
            for stretch in stretches
        ]
    )


def parts_under(current_a: Floats, step_s: float, response: StepResponse) -> tuple[Floats, Floats]:
    """Return what a response makes of a current (m, every `step_s` s): ohmic and slow part (m each), in V."""
    slow_v = np.zeros(len(current_a))
    for ohm, tau_s in zip(response.ohms[1:], response.taus_s, strict=True):
        if ohm > 0:
            slow_v += ohm * relaxed_current(current_a, step_s, tau_s)
    return response.ohms[0] * current_a, slow_v


def _place(drawn_c: Floats, run_c: tuple[float, float]) -> Floats:
    span_c = run_c[1] - run_c[0]
    if span_c <= 0:
        return np.zeros(len(drawn_c))
    place: Floats = (drawn_c - run_c[0]) / span_c - 0.5
    return place


def _drift_sd(card: RunCard, run_c: tuple[float, float]) -> float:
    if card.capacity_ah is None:
        return _UNKNOWN_SHARE
    drawn = (run_c[1] - run_c[0]) / (card.capacity_ah * COULOMB_PER_AH)
    return _WARMING_SHARE + _PER_CAPACITY * min(drawn, 1.0)
