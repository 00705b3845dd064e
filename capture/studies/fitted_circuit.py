"""A fitted circuit with the uncertainties that come of the run alone, and the voltage it predicts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.known_pack import CAPACITY_LN_SD
from capture.studies.relaxation import decay, relaxed_current

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

#: Told by the run: known to half of what the rating leaves open.
_TOLD_SHARE: Final = 0.5


@dataclass(frozen=True, slots=True)
class FittedPair:
    """One RC pair, with standard uncertainties of the fit alone."""

    ohm: float
    u_ohm: float
    tau_s: float
    u_tau_s: float


@dataclass(frozen=True, slots=True)
class ChargeState:
    """State of charge (1 is full) at the start and end of the run, and the capacity, as the fit has them."""

    start: float
    u_start: float
    end: float
    u_end: float
    capacity_c: float
    u_capacity_c: float
    own_curve: bool

    @property
    def capacity_told(self) -> bool:
        """Whether the run tells the capacity better than its rating does, the curve being the pack's own."""
        return self.own_curve and self.u_capacity_c < _TOLD_SHARE * CAPACITY_LN_SD * self.capacity_c


@dataclass(frozen=True, slots=True, eq=False)
class OpenCircuitFall:
    """The open-circuit voltage of a pack in V (k) against the charge drawn in C (k, rising).

    `u_v` (k) is the standard uncertainty of each as a difference from the first.
    """

    drawn_c: Floats
    open_v: Floats
    u_v: Floats

    def at(self, drawn_c: Floats) -> Floats:
        """Return the open-circuit voltage in V at charges drawn, held beyond the ends."""
        return np.interp(drawn_c, self.drawn_c, self.open_v)

    def u_at(self, drawn_c: Floats) -> Floats:
        """Return the standard uncertainty in V of the difference from the first."""
        return np.interp(drawn_c, self.drawn_c, self.u_v)


@dataclass(frozen=True, slots=True, eq=False)
class FittedCircuit:
    """A fit: R0 in ohm, the pairs, what each held when the run began (V), and the open-circuit voltage.

    `open_circuit` reaches beyond the run where the pack is known; `drawn_c` and `span_s` are of the run.
    """

    ohmic: float
    u_ohmic: float
    pairs: tuple[FittedPair, ...]
    started_v: tuple[float, ...]
    open_circuit: OpenCircuitFall
    drawn_c: float
    span_s: float
    charge_state: ChargeState | None
    rmse_v: float
    undetermined: tuple[str, ...]

    def voltage(self, current_a: Floats, step_s: float) -> Floats:
        """Return the voltage in V that the pack shows under a current (m, every `step_s` s) since the start.

        The current is a straight line between its instants, of which the first is the run's first sample.
        """
        drawn_c = np.concatenate([[0.0], np.cumsum((current_a[1:] + current_a[:-1]) * (0.5 * step_s))])
        polarised_v = polarisation(self.pairs, self.started_v, current_a, step_s)
        predicted: Floats = self.open_circuit.at(drawn_c) - self.ohmic * current_a - polarised_v
        return predicted


def polarisation(
    pairs: tuple[FittedPair, ...], started_v: tuple[float, ...], current_a: Floats, step_s: float
) -> Floats:
    """Return the voltage in V (m) over all pairs under a current (m, every `step_s` s)."""
    total = np.zeros(len(current_a))
    for pair, begun_v in zip(pairs, started_v, strict=True):
        total += pair.ohm * relaxed_current(current_a, step_s, pair.tau_s)
        total += begun_v * decay(len(current_a), step_s, pair.tau_s)
    return total
