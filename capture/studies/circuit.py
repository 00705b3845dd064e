"""The equivalent circuit of a pack, fitted to a whole run: open-circuit curve, R0 and RC pairs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from capture.quantities import COULOMB_PER_AH, Figure
from capture.studies.circuit_search import CircuitSearch
from capture.studies.end_of_range import within_range
from capture.studies.known_pack import known_pack
from capture.studies.skew import Skew, skew_of
from capture.studies.thinning import stretches_of
from capture.uncertainty.channels import HOBBY_DIVIDER, HOBBY_SHUNT

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from capture.open_circuit import OpenCircuitCurve
    from capture.run_card import RunCard
    from capture.studies.columns import RunColumns, Span
    from capture.studies.fitted_circuit import FittedCircuit
    from capture.studies.known_pack import KnownPack
    from capture.studies.thinning import Stretch
    from capture.uncertainty.channels import ChannelUncertainty

#: Slower samples take the beginning of what a pair does for R0. Common practice, no source.
SLOWEST_FOR_R0_S: Final = 0.02
#: Steps between samples may differ by this share of the usual one.
_MOST_JITTER: Final = 0.25
_FEWEST_READINGS: Final = 3
#: What straight lines between samples and means over a few of them leave, as a share of each figure:
#: measured on runs of four hours, whose noise would allow less (R0 0.03 %, R1 0.08 %, a time constant of
#: 0.12 s 0.2 %).
_SAMPLED_SHARE: Final = 1e-3
#: Without a load that comes and goes there is nothing to tell a resistance by.
_LEAST_SWING_A: Final = 1.0
#: No cordless tool has more of a current, or less of a voltage.
_MOST_SWING_A: Final = 1e5
_LEAST_V: Final = 0.1


@dataclass(frozen=True, slots=True)
class Branch:
    """One RC pair: resistance in ohm and time constant in s."""

    r: Figure
    tau: Figure

    def as_json(self) -> dict[str, Any]:
        """Return the pair as the command line prints it."""
        return {"r": self.r.as_json(), "tau": self.tau.as_json()}


@dataclass(frozen=True, slots=True)
class OpenCircuit:
    """What the fit says of the open-circuit voltage.

    `start` and `end` are states of charge in percent, None where series, capacity or curve are not known;
    `capacity` in Ah, None where the run does not tell it better than its rating or the curve is not the
    pack's own; `fall` is by how much the open-circuit voltage of the pack fell over the run, in V. `source`
    says whose curve was taken.
    """

    start: Figure | None
    end: Figure | None
    capacity: Figure | None
    fall: Figure | None
    source: str

    def as_json(self) -> dict[str, Any]:
        """Return it as the command line prints it."""
        figures = {"start": self.start, "end": self.end, "capacity": self.capacity, "fall": self.fall}
        told = {name: None if figure is None else figure.as_json() for name, figure in figures.items()}
        return {**told, "source": self.source}


@dataclass(frozen=True, slots=True)
class Circuit:
    """R0 in ohm (None where the samples are too slow for it), the RC pairs, and what the fit leaves over.

    `at_once` is the resistance of all that answers within one interval between samples: R0, and of slow or
    jittered samples the fast pairs too. `undetermined` says in words what the run could not tell. `fitted` is
    the fit itself, for the voltage that it predicts.
    """

    r0: Figure | None
    branches: tuple[Branch, ...]
    rmse_v: float
    at_once: Figure
    open_circuit: OpenCircuit
    undetermined: tuple[str, ...]
    fitted: FittedCircuit

    def as_json(self) -> dict[str, Any]:
        """Return the circuit as the command line prints it."""
        return {
            "r0": None if self.r0 is None else self.r0.as_json(),
            "branches": [branch.as_json() for branch in self.branches],
            "rmse_v": self.rmse_v,
            "at_once": self.at_once.as_json(),
            "open_circuit": self.open_circuit.as_json(),
            "undetermined": list(self.undetermined),
        }


def fit_circuit(
    run: RunColumns,
    cuts: Sequence[Span],
    card: RunCard,
    uncertainties: Mapping[str, ChannelUncertainty],
    *,
    curve: OpenCircuitCurve | None = None,
) -> Circuit | None:
    """Return the circuit that explains the voltage of `run`; None where the run cannot determine one.

    V = n U(z - q/C) - R0 i - R1 x1 - R2 x2, tau dx/dt = i - x (`studies.relaxation`), with the open-circuit
    part of `studies.open_circuit_terms`. `curve` is the pack's own where one was learnt, else its
    chemistry's is taken. The number of pairs is that of `studies.circuit_search`. Standard uncertainties:
    the fit's own with residuals that hang together, and the gains of both channels, which are the same
    error in every sample (JCGM 100:2008, 5.2): R = V/I has both. A pack that warms has a mean resistance
    over the run.
    """
    del cuts  # the whole run counts, rests as much as cuts
    if not run.has("current_a", "voltage_v"):
        return None
    shows_r0 = fast_enough(run)
    run = within_range(run).run
    skew = told_skew(run, shows_r0=shows_r0)
    stretches = [stretch for stretch in stretches_of(run, later_s=skew.later_s) if can_tell(stretch)]
    if not stretches:
        return None
    volts = uncertainties.get("voltage_v", HOBBY_DIVIDER)
    amperes = uncertainties.get("current_a", HOBBY_SHUNT)
    pack = known_pack(card, volts, curve)
    fitted = CircuitSearch(stretches, pack, volts.resolution).circuit()
    if fitted is None:
        return None
    gain = float(np.sqrt(volts.gain**2 + amperes.gain**2 + _SAMPLED_SHARE**2))
    at_once = _figure(fitted.ohmic, fitted.u_ohmic, gain, "Ohm")
    undetermined = list(fitted.undetermined)
    if not shows_r0:
        undetermined.append("the samples are too slow or uneven for R0")
    return Circuit(
        r0=at_once if shows_r0 else None,
        branches=tuple(
            Branch(
                _figure(pair.ohm, pair.u_ohm, gain, "Ohm"),
                _figure(pair.tau_s, pair.u_tau_s, _SAMPLED_SHARE, "s"),
            )
            for pair in fitted.pairs
        ),
        rmse_v=fitted.rmse_v,
        at_once=at_once,
        open_circuit=_open_circuit(fitted, pack, amperes),
        undetermined=tuple(undetermined),
        fitted=fitted,
    )


def can_tell(stretch: Stretch) -> bool:
    """Return whether a stretch shows a pack under a load that comes and goes."""
    swing_a = float(np.ptp(stretch.current_a))
    return _LEAST_SWING_A <= swing_a <= _MOST_SWING_A and float(np.median(stretch.voltage_v)) > _LEAST_V


def _figure(value: float, u: float, gain: float, unit: str) -> Figure:
    return Figure(value, float(np.hypot(u, value * gain)), unit)


def told_skew(run: RunColumns, *, shows_r0: bool) -> Skew:
    """Return the skew of a run whose samples are fast enough for it, else one that is not corrected."""
    return (skew_of(run) if shows_r0 else None) or Skew(0.0, 0.0, 0.0)


def fast_enough(run: RunColumns) -> bool:
    """Return whether the samples show at once what the current does: R0 is told from nothing else."""
    times, _ = run.known("voltage_v")
    if len(times) < _FEWEST_READINGS:
        return False
    steps = np.diff(times)
    usual_s = float(np.median(steps))
    if usual_s <= 0:
        return False
    near = steps[steps < 3 * usual_s]
    return usual_s <= SLOWEST_FOR_R0_S and float(near.std()) <= _MOST_JITTER * usual_s


def _open_circuit(fitted: FittedCircuit, pack: KnownPack | None, amperes: ChannelUncertainty) -> OpenCircuit:
    drawn = np.array([0.0, fitted.drawn_c])
    start_v, end_v = fitted.open_circuit.at(drawn)
    fall = Figure(float(start_v - end_v), float(fitted.open_circuit.u_at(drawn)[1]), "V")
    if pack is None:
        return OpenCircuit(None, None, None, fall, "the run's own slope: too little is known of the pack")
    state = fitted.charge_state
    if state is None:
        return OpenCircuit(None, None, None, fall, pack.curve.source)
    drawn_c, span_s = fitted.drawn_c, fitted.span_s
    u_drawn = float(np.hypot(drawn_c * amperes.gain, amperes.offset * span_s)) / state.capacity_c
    end, u_end = state.end, float(np.hypot(state.u_end, u_drawn))
    capacity = None
    if state.capacity_told:
        u_capacity_c = float(np.hypot(state.u_capacity_c, state.capacity_c * amperes.gain))
        capacity = Figure(state.capacity_c / COULOMB_PER_AH, u_capacity_c / COULOMB_PER_AH, "Ah")
    return OpenCircuit(
        Figure(100 * state.start, 100 * state.u_start, "%"),
        Figure(100 * end, 100 * u_end, "%"),
        capacity,
        fall,
        pack.curve.source,
    )
