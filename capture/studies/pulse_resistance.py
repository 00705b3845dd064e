"""Pulse resistance at 0.1, 1 and 10 s: of the whole run, and of each step of the current by itself.

A pulse resistance is by how much the voltage would have fallen, over the current, so long after a step to a
current that holds still. No tool's current does. So the run's step response is found first
(`studies.step_response`), and at each step the voltage says by how much the response there differs: its
ohmic part and its slow part each by a share of their own. The fall of the open-circuit voltage with the
charge drawn is no part of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.quantities import COULOMB_PER_AH, Figure
from capture.studies.at_steps import EDGE_S, AtSteps
from capture.studies.circuit import can_tell, fast_enough, told_skew
from capture.studies.drifting_response import drifting_response
from capture.studies.end_of_range import within_range
from capture.studies.known_pack import known_pack
from capture.studies.steps import find_steps
from capture.studies.thinning import stretches_of
from capture.uncertainty.channels import HOBBY_DIVIDER, HOBBY_SHUNT

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from capture.open_circuit import OpenCircuitCurve
    from capture.run_card import RunCard
    from capture.studies.at_steps import AtStep
    from capture.studies.columns import RunColumns
    from capture.studies.drifting_response import DriftingResponse
    from capture.studies.steps import Step
    from capture.uncertainty.channels import ChannelUncertainty

    Floats = npt.NDArray[np.float64]

#: How long after a step, in s.
PULSE_TIMES_S: Final = (0.1, 1.0, 10.0)
_AT_AN_END: Final = "a reading stands at the end of its channel's range"
#: A resistance that is known no better than this is not told.
_MOST_U_RELATIVE: Final = 0.5
#: A figure of a run in which the resistance changed stands for a moment that is open by this share of the
#: standard deviation over the charge. Common practice, no source.
_OPEN_MOMENT: Final = 0.3
#: Steps differ from the response of their run by this share at least, a standard deviation. Common practice,
#: no source.
_LEAST_BEYOND: Final = 0.003


@dataclass(frozen=True, slots=True)
class SteppedResistance:
    """One step and its resistance in ohm at each of `PULSE_TIMES_S`, None where it does not tell it.

    `drawn_ah` is the charge drawn before it since the run began; `left_out` says for each time in words why
    the step was left out, None where it was not.
    """

    step: Step
    r: tuple[Figure | None, ...]
    drawn_ah: float
    temperature_degc: float | None
    left_out: tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class PulseResistance:
    """What a run tells of its pack's resistance, in ohm.

    `pulse` has one figure for each of `PULSE_TIMES_S`, None where the run does not reach that time; `ohmic`
    is what answers at once, None from samples that are too slow or uneven. `as_circuit` tells that a circuit
    of up to two RC pairs explains the run, and no ladder of them is needed; `taus_s` are the time constants.
    The figures of `pulse` are means over the charge, from `mean_over_ah`, the least that was drawn before a
    step, to the most. `notes` say in words what was left out or corrected.
    """

    steps: tuple[SteppedResistance, ...]
    pulse: tuple[Figure | None, ...]
    ohmic: Figure | None
    as_circuit: bool
    taus_s: tuple[float, ...]
    mean_over_ah: tuple[float, float] | None
    notes: tuple[str, ...]


def pulse_resistance(
    run: RunColumns,
    card: RunCard,
    uncertainties: Mapping[str, ChannelUncertainty],
    *,
    curve: OpenCircuitCurve | None = None,
    taus_s: tuple[float, ...] | None = None,
) -> PulseResistance | None:
    """Return the pulse resistances of a run; None where it shows none.

    `taus_s` are the pack's time constants where one of its groups is asked for: they are its own.

    Standard uncertainties combine the fit's own, how the steps scatter beyond theirs, and the gains of both
    channels, which are the same error in every sample (R = V/I has both; JCGM 100:2008, 5.1).
    """
    if not run.has("current_a", "voltage_v"):
        return None
    shows_r0, ranged = fast_enough(run), within_range(run)
    run = ranged.run
    found = find_steps(run)
    edges_s = [step.t_s - EDGE_S for step in found]
    skew = told_skew(run, shows_r0=shows_r0)
    stretches = [stretch for stretch in stretches_of(run, edges_s, skew.later_s) if can_tell(stretch)]
    if not stretches:
        return None
    volts = uncertainties.get("voltage_v", HOBBY_DIVIDER)
    amperes = uncertainties.get("current_a", HOBBY_SHUNT)
    pack = known_pack(card, volts, curve)
    drifting = drifting_response(stretches, pack, volts.resolution, taus_s, skew.u)
    if drifting is None:
        return None
    gain = float(np.hypot(volts.gain, amperes.gain))
    at_steps = AtSteps(stretches, drifting, ranged)
    by_time = [
        _with_scatter([at_steps.resistance(step, after_s) for step in found], gain)
        for after_s in PULSE_TIMES_S
    ]
    steps = _steps(found, [figures for figures, _ in by_time], at_steps, _temperature(run))
    pulse = tuple(
        _of_run(drifting, after_s, at_steps.between_c(_told_of(found, figures)), scatter, gain)
        for after_s, (figures, scatter) in zip(PULSE_TIMES_S, by_time, strict=True)
    )
    return PulseResistance(
        steps,
        pulse,
        _told(*drifting.at(0.0, at_steps.between_c(found)), gain) if shows_r0 else None,
        drifting.response.circuit is not None,
        drifting.response.circuit_taus_s,
        _span_ah([step.drawn_ah for step in steps if any(step.r)]),
        tuple(note for note in (ranged.in_words(), skew.in_words()) if note is not None),
    )


def _steps(
    found: Sequence[Step],
    by_time: Sequence[Sequence[Figure | None]],
    at_steps: AtSteps,
    temperature: tuple[Floats, Floats] | None,
) -> tuple[SteppedResistance, ...]:
    drawn_ah = at_steps.drawn_c(found) / COULOMB_PER_AH
    return tuple(
        SteppedResistance(
            step,
            tuple(figures[number] for figures in by_time),
            float(drawn_ah[number]),
            None if temperature is None else float(np.interp(step.t_s, *temperature)),
            tuple(_AT_AN_END if at_steps.left_out(step, after_s) else None for after_s in PULSE_TIMES_S),
        )
        for number, step in enumerate(found)
    )


def _with_scatter(told: Sequence[AtStep | None], gain: float) -> tuple[list[Figure | None], float | None]:
    """Return the figures of the steps, and the relative uncertainty of their mean; None without any.

    How the steps scatter around the run's response beyond their own uncertainties is by how much they may
    differ from it: each lies between what it tells itself and the run, by the weights of both.
    """
    known = [at for at in told if at is not None]
    if not known:
        return [None] * len(told), None
    apart = np.array([at.ohm / at.expected_ohm - 1 for at in known])
    own = float(np.mean([(at.u_step / at.expected_ohm) ** 2 for at in known]))
    square = float(np.mean(apart**2))
    beyond = max(square - own, _LEAST_BEYOND**2) ** 0.5
    figures = [None if at is None else _told(*at.where_steps_differ(beyond), gain) for at in told]
    return figures, (square / len(known)) ** 0.5


def _of_run(
    drifting: DriftingResponse, after_s: float, drawn_c: Floats, scatter: float | None, gain: float
) -> Figure | None:
    """Return the resistance of the whole run, a mean over charges drawn; None where no step reaches so far.

    A resistance that changed has no one value: which moment of the run the figure stands for is open.
    """
    if scatter is None or len(drawn_c) == 0:
        return None
    ohm, u_fit = drifting.at(after_s, drawn_c)
    changed = drifting.shares_at(drawn_c) @ drifting.response.parts_at(after_s)
    moment = _OPEN_MOMENT * float(changed.std())
    return _told(ohm, float(np.sqrt(u_fit**2 + (ohm * scatter) ** 2 + moment**2)), gain)


def _told_of(steps: Sequence[Step], figures: Sequence[Figure | None]) -> list[Step]:
    return [step for step, figure in zip(steps, figures, strict=True) if figure is not None]


def _span_ah(drawn_ah: Sequence[float]) -> tuple[float, float] | None:
    return (min(drawn_ah), max(drawn_ah)) if drawn_ah else None


def _told(ohm: float, u_fit: float, gain: float) -> Figure | None:
    u = float(np.hypot(u_fit, ohm * gain))
    return Figure(ohm, u, "Ohm") if u < _MOST_U_RELATIVE * ohm else None


def _temperature(run: RunColumns) -> tuple[Floats, Floats] | None:
    names = [name for name in run.columns if name.endswith("temperature_degc") and name.startswith("pack")]
    if not names:
        return None
    t_s, degc = run.known(names[0])
    return (t_s, degc) if len(t_s) else None
