"""Everything that a recorded run tells of its pack's resistance, in all its definitions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from capture.bench import Bench
from capture.quantities import Figure
from capture.studied_run import study
from capture.studies.circuit import fit_circuit
from capture.studies.group_resistance import Groups, group_resistances
from capture.studies.pulse_resistance import PULSE_TIMES_S, PulseResistance, pulse_resistance
from capture.studies.two_step import two_step_of_run

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.storage.recording import Recording
    from capture.studied_run import StudiedRun
    from capture.studies.circuit import Circuit

#: The pulse time at which resistances of one run are set against charge and temperature.
_DEPENDS_AT: Final = 1
_LEAST_STEPS: Final = 4
#: Charge and temperature that go together so closely cannot be told apart.
_TOGETHER: Final = 0.9
_LEAST_KELVIN: Final = 3.0
#: What the columns that tell pulse resistances are called.
_FOR_PULSES: Final = ("current_a", "voltage_v", "pack_temperature")


@dataclass(frozen=True, slots=True, eq=False)
class Dependence:
    """How the resistance 1 s after a step changed in the run: per Ah drawn and per kelvin; None untold."""

    per_ah: Figure | None
    per_kelvin: Figure | None


@dataclass(frozen=True, slots=True, eq=False)
class Pulses:
    """The pulse resistances of a pack in a run, and nothing that takes longer to find; None where untold."""

    run: StudiedRun
    pulses: PulseResistance | None

    def as_json(self) -> dict[str, Any]:
        """Return it as a part of what the command line prints."""
        pulses = self.pulses
        return {
            "pulse": _by_time((None,) * len(PULSE_TIMES_S) if pulses is None else pulses.pulse),
            "ohmic": _json(None if pulses is None else pulses.ohmic),
            "warnings": list(self.run.summary.warnings),
        }


@dataclass(frozen=True, slots=True, eq=False)
class Resistance:
    """The resistance of a pack in a run: pulses, two steps, ohmic part, circuit, groups, dependence."""

    run: StudiedRun
    pulses: PulseResistance | None
    two_step: Figure | None
    circuit: Circuit | None
    groups: Groups | None
    dependence: Dependence

    def as_json(self) -> dict[str, Any]:
        """Return it as the command line prints it."""
        pulses = self.pulses
        closure = None if self.groups is None else self.groups.closure
        return {
            **Pulses(self.run, pulses).as_json(),
            "recording": str(self.run.summary.recording.path),
            "steps": [
                {
                    "t_s": stepped.step.t_s,
                    "from_a": stepped.step.from_a,
                    "to_a": stepped.step.to_a,
                    "r": _by_time(stepped.r),
                    "drawn_ah": stepped.drawn_ah,
                    "temperature_degc": stepped.temperature_degc,
                    "left_out": dict(zip(map("{:g}".format, PULSE_TIMES_S), stepped.left_out, strict=True)),
                }
                for stepped in (() if pulses is None else pulses.steps)
            ],
            "pulse_over_ah": None if pulses is None else pulses.mean_over_ah,
            "two_step": _json(self.two_step),
            "circuit": _no_circuit() if self.circuit is None else self.circuit.as_json(),
            "groups": [
                {"group": group.group, "r": _by_time(group.pulse)}
                for group in (() if self.groups is None else self.groups.groups)
            ],
            "joints": None
            if closure is None
            else {
                "after_s": closure.after_s,
                "remainder": closure.remainder.as_json(),
                "says": closure.says,
            },
            "dependence": {
                "after_s": PULSE_TIMES_S[_DEPENDS_AT],
                "per_ah": _json(self.dependence.per_ah),
                "per_kelvin": _json(self.dependence.per_kelvin),
            },
            "notes": list(() if pulses is None else pulses.notes),
        }


def pulses_of(
    recording: Recording,
    progress: Callable[[int], None] = lambda _rows: None,
    bench: Bench | None = None,
) -> Pulses:
    """Return the pulse resistances of a recording; arguments as in `resistance`, which takes much longer."""
    known = bench or Bench()
    names = [name for name in recording.columns if name.startswith(_FOR_PULSES)]
    run = study(recording, names, progress)
    card, curve = known.completed(run.card), known.open_circuit(run.card)
    return Pulses(run, pulse_resistance(run.columns, card, run.uncertainties, curve=curve))


def resistance(
    recording: Recording,
    progress: Callable[[int], None] = lambda _rows: None,
    bench: Bench | None = None,
) -> Resistance:
    """Return what a recording tells of its pack's resistance; `progress` as `studied_run.study` has it.

    What the card does not tell of the pack (groups, capacity, chemistry) is taken from `bench`, and its
    own open-circuit curve where one was learnt.
    """
    known = bench or Bench()
    names = [name for name in recording.columns if name.startswith(("group_", *_FOR_PULSES))]
    run = study(recording, names, progress)
    card, curve = known.completed(run.card), known.open_circuit(run.card)
    pulses = pulse_resistance(run.columns, card, run.uncertainties, curve=curve)
    return Resistance(
        run,
        pulses,
        two_step_of_run(run.columns, card.capacity_ah, run.uncertainties),
        fit_circuit(run.columns, run.cuts, card, run.uncertainties, curve=curve),
        None if pulses is None else group_resistances(run.columns, card, run.uncertainties, pulses),
        _dependence(pulses),
    )


def _dependence(pulses: PulseResistance | None) -> Dependence:
    """Return the slopes of the steps' resistances against charge drawn and temperature.

    Weighted least squares; the gains that all steps share turn the slope by their own share, which is left
    out, and what scatters beyond the steps' uncertainties widens the slope's.
    """
    told = [
        (stepped.drawn_ah, stepped.temperature_degc, figure)
        for stepped in (() if pulses is None else pulses.steps)
        if (figure := stepped.r[_DEPENDS_AT]) is not None
    ]
    if len(told) < _LEAST_STEPS:
        return Dependence(None, None)
    drawn_ah = np.array([row[0] for row in told])
    ohms = np.array([row[2].value for row in told])
    per_ah = _slope(drawn_ah, ohms, "Ohm/Ah")
    degc = np.array([np.nan if row[1] is None else row[1] for row in told])
    if np.isnan(degc).any() or np.ptp(degc) < _LEAST_KELVIN:
        return Dependence(per_ah, None)
    if abs(np.corrcoef(drawn_ah, degc)[0, 1]) > _TOGETHER:
        return Dependence(per_ah, None)
    return Dependence(per_ah, _slope(degc, ohms, "Ohm/K"))


def _slope(at: np.ndarray[Any, Any], ohms: np.ndarray[Any, Any], unit: str) -> Figure | None:
    around = at - at.mean()
    squares = float(around @ around)
    if squares == 0:
        return None
    slope = float(around @ ohms) / squares
    left = ohms - ohms.mean() - slope * around
    return Figure(slope, float(np.sqrt(left @ left / (len(at) - 2) / squares)), unit)


def _by_time(figures: tuple[Figure | None, ...]) -> dict[str, Any]:
    return {f"{at:g}": _json(figure) for at, figure in zip(PULSE_TIMES_S, figures, strict=True)}


def _json(figure: Figure | None) -> dict[str, Any] | None:
    return None if figure is None else figure.as_json()


def _no_circuit() -> dict[str, Any]:
    return {"r0": None, "branches": [], "rmse_v": None}
