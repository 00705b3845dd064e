"""The open-circuit curve of a pack, learnt from its own runs.

Each run's circuit says how the open-circuit voltage fell with the charge drawn in it, the polarisation
taken away (`studies.circuit`), and where it stood at the start. Where a run starts on the way from full to
empty is told by its first voltage: the fullest run by the curve of the chemistry, each further one by what
was learnt so far. States of charge are of the capacity on the run card. Where no run has been the curve is
the chemistry's, shifted to meet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.open_circuit import OpenCircuitCurve, default_curve
from capture.quantities import COULOMB_PER_AH
from capture.studies.circuit import fit_circuit
from capture.uncertainty.channels import HOBBY_DIVIDER

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from capture.run_card import RunCard
    from capture.studies.columns import RunColumns
    from capture.uncertainty.channels import ChannelUncertainty

    Floats = npt.NDArray[np.float64]

#: The steps of the curve that is made.
_STEPS: Final = np.linspace(0.0, 1.0, 41)
#: A run that draws less than this share of the capacity says too little. Common practice, no source.
_LEAST_DRAWN: Final = 0.02
#: How closely runs of one pack agree at best: temperature, rest and age. Common practice, no source.
_REPEAT_U_V: Final = 0.003
#: A curve rises by at least this much from step to step.
_LEAST_RISE_V: Final = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class CurveRun:
    """A run to learn from, and by what name to speak of it."""

    name: str
    columns: RunColumns
    uncertainties: Mapping[str, ChannelUncertainty]


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A part of the curve that one run shows: voltages of a group and their u at rising states of charge."""

    name: str
    states: Floats
    group_v: Floats
    u_v: Floats

    @property
    def span(self) -> tuple[float, float]:
        """The state of charge at which the run began, and at which it ended."""
        return float(self.states[-1]), float(self.states[0])


@dataclass(frozen=True, slots=True, eq=False)
class LearntCurve:
    """The curve, the parts of it that runs have shown, and why runs were left out, by their names."""

    curve: OpenCircuitCurve
    pieces: tuple[Piece, ...]
    left_out: Mapping[str, str]


def learnt_curve(runs: Sequence[CurveRun], card: RunCard) -> LearntCurve | None:
    """Return the open-circuit curve of the pack of `card` from its runs; None where none tells anything.

    Needs series, capacity and chemistry on the card (ValueError): without them a fall in volts over a
    charge in Ah is no state of charge. Uncertainties: each run's own, the divider's gain, which is the same
    error in all of them, and what the runs differ by.
    """
    chemistry = default_curve(card.chemistry)
    if chemistry is None or card.series is None or card.capacity_ah is None:
        raise ValueError("needs the pack's series, capacity_ah and chemistry")
    left_out: dict[str, str] = {}
    falls = []
    for run in runs:
        fall = _fall_of(run, card)
        if isinstance(fall, str):
            left_out[run.name] = fall
        else:
            falls.append(fall)
    pieces: list[Piece] = []
    for fall in sorted(falls, key=lambda fall: -float(fall.group_v[0])):
        pieces.append(_placed(fall, pieces, chemistry))
    if not pieces:
        return None
    gain = max(run.uncertainties.get("voltage_v", HOBBY_DIVIDER).gain for run in runs)
    return LearntCurve(_joined(pieces, chemistry, gain), tuple(pieces), left_out)


def _fall_of(run: CurveRun, card: RunCard) -> Piece | str:
    """Return what a run shows, its states counted down from 0, or why it shows nothing."""
    circuit = fit_circuit(run.columns, (), card, run.uncertainties)
    if circuit is None or card.series is None or card.capacity_ah is None:
        return "no circuit can be told from it"
    open_circuit, fitted = circuit.fitted.open_circuit, circuit.fitted
    share = fitted.drawn_c / (card.capacity_ah * COULOMB_PER_AH)
    if share < _LEAST_DRAWN:
        return f"it draws only {share:.1%} of the capacity"
    drawn_c = np.linspace(0.0, fitted.drawn_c, max(3, round(share / np.diff(_STEPS)[0]) * 2 + 1))
    return Piece(
        run.name,
        -drawn_c / (card.capacity_ah * COULOMB_PER_AH),
        open_circuit.at(drawn_c) / card.series,
        np.hypot(open_circuit.u_at(drawn_c) / card.series, _REPEAT_U_V),
    )


def _placed(fall: Piece, before: Sequence[Piece], chemistry: OpenCircuitCurve) -> Piece:
    """Return a piece where its first voltage puts it, its states rising."""
    start_v = float(fall.group_v[0])
    start = float(chemistry.soc(np.array([start_v]))[0])
    if before:
        lowest = min(before, key=lambda piece: float(piece.states[0]))
        end, end_v = float(lowest.states[0]), float(lowest.group_v[0])
        if start_v < end_v:
            by_chemistry = chemistry.soc(np.array([end_v, start_v]))
            start = end - float(by_chemistry[0] - by_chemistry[1])
        else:
            shown = [piece for piece in before if piece.group_v[0] <= start_v]
            found = [float(np.interp(start_v, piece.group_v, piece.states)) for piece in shown]
            start = float(np.mean(found))
    return Piece(
        fall.name,
        start + fall.states[::-1],
        np.maximum.accumulate(fall.group_v[::-1]),
        fall.u_v[::-1],
    )


def _joined(pieces: Sequence[Piece], chemistry: OpenCircuitCurve, gain: float) -> OpenCircuitCurve:
    """Return the curve over all states: weighted means where runs have been, the chemistry's beside them."""
    weights, sums, squares = np.zeros(len(_STEPS)), np.zeros(len(_STEPS)), np.zeros(len(_STEPS))
    for piece in pieces:
        seen = (piece.states[0] <= _STEPS) & (piece.states[-1] >= _STEPS)
        group_v = np.interp(_STEPS[seen], piece.states, piece.group_v)
        weight = 1.0 / np.interp(_STEPS[seen], piece.states, piece.u_v) ** 2
        weights[seen] += weight
        sums[seen] += weight * group_v
        squares[seen] += weight * group_v**2
    seen = np.flatnonzero(weights > 0)
    if len(seen) == 0:
        middle = max(pieces, key=lambda piece: piece.states[-1] - piece.states[0])
        at = int(np.argmin(np.abs(_STEPS - middle.states.mean())))
        weights[at], sums[at] = 1.0 / middle.u_v.mean() ** 2, middle.group_v.mean() / middle.u_v.mean() ** 2
        seen = np.array([at])
    means = sums[seen] / weights[seen]
    scatter = np.sqrt(np.maximum(squares[seen] / weights[seen] - means**2, 0.0))
    shift = np.interp(_STEPS, _STEPS[seen], means - chemistry.volts(_STEPS[seen]))
    group_v = chemistry.volts(_STEPS) + shift
    group_v[seen] = means
    u_v = chemistry.u_volts(_STEPS)
    u_v[seen] = np.sqrt(1.0 / weights[seen] + scatter**2 + (gain * means) ** 2)
    rises = np.arange(len(_STEPS)) * _LEAST_RISE_V
    group_v = np.maximum.accumulate(group_v - rises) + rises
    names = ", ".join(piece.name for piece in pieces)
    source = f"learnt from {names}; beside what they show {chemistry.source}"
    return OpenCircuitCurve(chemistry.chemistry, _STEPS, group_v, u_v, source, chemistry.assumed, learnt=True)
