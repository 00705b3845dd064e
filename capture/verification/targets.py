"""The figures of random runs against the truth, and against what is aimed at."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from capture.storage.recording import open_recording
from capture.studied_run import study
from capture.studies.pulse_resistance import PULSE_TIMES_S, pulse_resistance

if TYPE_CHECKING:
    from capture.quantities import Figure
    from capture.verification.random_runs import RandomRun

_COVERAGE: Final = 2.0
_NEAR_S: Final = 0.5
#: What is aimed at: the largest error of any run, relative for figures.
EDGE_S: Final = 0.040
INTEGRAL: Final = 0.003
PULSE: Final = (0.02, 0.02, 0.03)
OHMIC: Final = 0.03
LEAST_WITHIN: Final = 0.85


@dataclass(slots=True)
class Tally:
    """The errors of all runs so far: relative ones by quantity, edges in s, and which were within 2 u."""

    runs: int = 0
    true_cuts: int = 0
    missed_cuts: int = 0
    invented_cuts: int = 0
    edges_s: list[float] = field(default_factory=list)
    errors: dict[str, list[float]] = field(default_factory=dict)
    within: list[bool] = field(default_factory=list)
    untold: dict[str, int] = field(default_factory=dict)

    def add(self, run: RandomRun) -> None:
        """Study one run and take in how far its figures are from the truth."""
        found, truth = study(open_recording(run.recording), ("current_a", "voltage_v")), run.truth
        stated = found.summary.stated
        self.runs += 1
        self._add_cuts(found.cuts, truth.cuts)
        self._add("charge", stated.charge, truth.integrals.charge_ah)
        self._add("energy", stated.energy, truth.integrals.energy_wh)
        pulses = pulse_resistance(found.columns, found.card, found.uncertainties)
        self._add("ohmic", None if pulses is None else pulses.ohmic, truth.response(0.0))
        for at, after_s in enumerate(PULSE_TIMES_S):
            figure = None if pulses is None else pulses.pulse[at]
            self._add(f"pulse {after_s:g} s", figure, truth.response(after_s))
        if pulses is not None:
            for stepped in pulses.steps:
                for figure, after_s in zip(stepped.r, PULSE_TIMES_S, strict=True):
                    if figure is not None:
                        true = truth.response(after_s, stepped.step.t_s)
                        self._add(f"step {after_s:g} s", figure, true)

    def _add(self, name: str, figure: Figure | None, true: float) -> None:
        if figure is None or figure.u is None:
            self.untold[name] = self.untold.get(name, 0) + 1
            return
        self.errors.setdefault(name, []).append(figure.value / true - 1)
        self.within.append(abs(figure.value - true) <= _COVERAGE * figure.u)

    def _add_cuts(self, found: Any, true: tuple[tuple[float, float], ...]) -> None:
        self.true_cuts += len(true)
        left = list(found)
        for start_s, end_s in true:
            match = next(
                (span for span in left if span.start_s < end_s + _NEAR_S and span.end_s > start_s - _NEAR_S),
                None,
            )
            if match is None:
                self.missed_cuts += 1
                continue
            left.remove(match)
            self.edges_s += [abs(match.start_s - start_s), abs(match.end_s - end_s)]
        self.invented_cuts += len(left)


@dataclass(frozen=True, slots=True)
class Verdict:
    """One target: what was measured, what is aimed at, in the unit, and whether it is met."""

    name: str
    measured: float
    target: float
    unit: str
    met: bool

    def as_json(self) -> dict[str, Any]:
        """Return it as the command line prints it."""
        return {
            "name": self.name,
            "measured": self.measured,
            "target": self.target,
            "unit": self.unit,
            "met": self.met,
        }


def verdicts(tally: Tally) -> tuple[Verdict, ...]:
    """Return each target with what the runs gave: of errors the largest."""
    told = [
        _most("cuts missed", tally.missed_cuts, 0, ""),
        _most("cuts invented", tally.invented_cuts, 0, ""),
        _most("edges of cuts", 1e3 * max(tally.edges_s, default=0.0), 1e3 * EDGE_S, "ms"),
    ]
    aims = {"charge": INTEGRAL, "energy": INTEGRAL, "ohmic": OHMIC}
    aims |= {f"pulse {after_s:g} s": aim for after_s, aim in zip(PULSE_TIMES_S, PULSE, strict=True)}
    for name, aim in aims.items():
        errors = tally.errors.get(name, [])
        told.append(_most(name, 100 * max(map(abs, errors), default=0.0), 100 * aim, "%"))
    share = 100 * float(np.mean(tally.within)) if tally.within else 0.0
    least = 100 * LEAST_WITHIN
    return (*told, Verdict("figures within 2 u", share, least, "%", share >= least))


def _most(name: str, measured: float, target: float, unit: str) -> Verdict:
    return Verdict(name, float(measured), float(target), unit, measured <= target)
