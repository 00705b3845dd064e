"""The step response of a pack that changes within its run: it warms, and near empty its resistance grows.

Each part of the run's mean response (R0, fast pairs, slow pairs) is multiplied by 1 + d, each d a sum of
smooth forms of the charge drawn (`studies.drift`). What a response makes of the current, times a form, is
a column whose coefficient is the form's share: so the fit stays linear, and is repeated with the response
that it found.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.circuit_search import CircuitSearch
from capture.studies.drift import PARTS, drift_forms, parts_of_pairs
from capture.studies.known_coefficients import KnownCoefficients
from capture.studies.relaxation import made_by
from capture.studies.step_response import step_response

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from capture.studies.drift import DriftForms
    from capture.studies.known_pack import KnownPack
    from capture.studies.separable_fit import SeparableFit
    from capture.studies.step_response import StepResponse
    from capture.studies.thinning import Stretch

    Floats = npt.NDArray[np.float64]

#: Rounds of finding the response with the drift of the one before, as two pairs but for the last.
_ROUNDS: Final = 3
#: Time constants to begin with, in s.
_FIRST_TAUS_S: Final = (0.5, 15.0)


@dataclass(frozen=True, slots=True, eq=False)
class DriftingResponse:
    """The mean response of a run over the charge drawn, and by which shares its parts differ from it.

    `drift` (PARTS, m) has what each part takes of each of `forms`.
    """

    response: StepResponse
    drift: Floats
    forms: DriftForms
    search: CircuitSearch

    def at(self, after_s: float, drawn_c: Floats) -> tuple[float, float]:
        """Return the resistance in ohm so long after a step, mean over charges drawn (n), and the fit's u.

        Of no charges it is that over the run.
        """
        forms = self.forms.at(drawn_c).mean(axis=0) if len(drawn_c) else np.zeros(self.forms.count)
        return self.response.at(after_s, forms)

    def shares_at(self, drawn_c: Floats) -> Floats:
        """Return (n, PARTS) what the parts are multiplied by at charges drawn (n)."""
        shares: Floats = 1.0 + self.forms.at(drawn_c) @ self.drift.T
        return shares


def drifting_response(
    stretches: Sequence[Stretch],
    pack: KnownPack | None,
    resolution_v: float,
    taus_s: tuple[float, ...] | None = None,
    u_skew: float = 0.0,
) -> DriftingResponse | None:
    """Return the response that explains a run; None where it shows no resistance.

    Time constants that are given (those of the pack, for one of its groups) are not searched for. `u_skew`
    is how well it is known when the voltage was read, in intervals.
    """
    search = CircuitSearch(stretches, pack, resolution_v)
    forms = drift_forms(search.run_c, search.capacity_c)
    form_columns = forms.at(search.drawn_c)
    ohms, last_s = search.roughly(_FIRST_TAUS_S)
    for number in range(_ROUNDS):
        if ohms[0] <= 0:
            return None
        parts = parts_of(stretches, ohms, last_s)
        delayed = -ohms[0] * u_skew * search.moved_a[:, None]
        drifted = [-part[:, None] * form_columns for part in parts.T]
        fit = search.settled(np.hstack([delayed, *drifted]), taus_s)
        if number < _ROUNDS - 1:
            ohms, last_s = search.pairs_of(fit)
    response = _response_of(search, fit, taus_s)
    if response is None:
        return None
    drift = response.terms[-PARTS * forms.count :].reshape(PARTS, -1)
    return DriftingResponse(response, drift, forms, search)


def _response_of(
    search: CircuitSearch, fit: SeparableFit, taus_s: tuple[float, ...] | None
) -> StepResponse | None:
    if taus_s is None:
        found = search.determined(fit)
        known = () if found.known is None else (found.known,)
        return step_response(fit, (*known, *reversed(found.richer)), search.times_s)
    return step_response(fit, [KnownCoefficients(fit, fit.solve(taus_s), search.times_s)], search.times_s)


def parts_of(stretches: Sequence[Stretch], ohms: Floats, taus_s: Sequence[float]) -> Floats:
    """Return what each part of a response makes of the current at the blocks (n, PARTS), in V."""
    return np.vstack(
        [
            np.column_stack(
                [
                    stretch.means(stretch.at_readings(part))
                    for part in parts_under(stretch.current_a, stretch.step_s, ohms, taus_s)
                ]
            )
            for stretch in stretches
        ]
    )


def parts_under(
    current_a: Floats, step_s: float, ohms: Floats, taus_s: Sequence[float]
) -> tuple[Floats, ...]:
    """Return what each part of a response makes of a current (m, every `step_s` s): PARTS times m, in V."""
    ohms_of_parts = np.tile(ohms, (PARTS, 1))
    part = np.concatenate([[0], parts_of_pairs(taus_s)])
    ohms_of_parts[part[None, :] != np.arange(PARTS)[:, None]] = 0.0
    return tuple(made_by(current_a, step_s, of_part, taus_s) for of_part in ohms_of_parts)
