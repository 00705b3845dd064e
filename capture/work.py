"""What recorded runs gave of work: each cut in figures, the motor's line, and what made speeds differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from capture.cut_figures import numbered_cuts
from capture.cut_uncertainty import cut_uncertainties
from capture.quantities import Figure
from capture.studied_run import study
from capture.studies.columns import Span
from capture.studies.motor_line import Electronics, Gains, MotorLine, SpeedChange, motor_line, speed_change
from capture.studies.press_figures import FORCE, PRESSURE, PressFigures
from capture.studies.typed_measures import TypedMeasure, typed_measures
from capture.studies.work_figures import (
    SPEED,
    TORQUE,
    CutWork,
    Working,
    WorkSpans,
    cut_work,
    mean_working,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.cut_figures import NumberedCut
    from capture.storage.recording import Recording
    from capture.studied_run import StudiedRun

_COLUMNS: Final = ("current_a", "voltage_v", "speed_rpm", TORQUE, FORCE, PRESSURE)
_FREE_RUN: Final = "free_run"
_KIND_FREE_RUN: Final = "free run"


@dataclass(frozen=True, slots=True, eq=False)
class RunWork:
    """The work of one run; `line` is the motor's, or why there is none; `changes` are against its first cut.

    `energy_per_fastener` is the run's energy over the fasteners of its card; `typed` are readings of gauges.
    """

    run: StudiedRun
    cuts: tuple[CutWork, ...]
    line: MotorLine | str
    changes: tuple[SpeedChange | None, ...]
    no_load: Working | None
    working: Working | None
    energy_per_fastener: Figure | None
    typed: tuple[TypedMeasure, ...] = ()

    @property
    def stated_line(self) -> MotorLine | str:
        """The line with the gains of the channels in its uncertainties, or why there is none."""
        if isinstance(self.line, str):
            return self.line
        gains = (_gain(self.run, column) for column in (SPEED, "voltage_v", "current_a"))
        return self.line.stated(Gains(*gains))

    def as_json(self) -> dict[str, Any]:
        """Return it as the command line prints it."""
        line = self.stated_line
        return {
            "recording": str(self.run.summary.recording.path),
            "cuts": [
                {**_cut(cut), "against_first": None if change is None else _change(change)}
                for cut, change in zip(self.cuts, self.changes, strict=True)
            ],
            "no_load_speed": _json(None if self.no_load is None else self.no_load.speed),
            "working_speed": _json(None if self.working is None else self.working.speed),
            "energy_per_fastener": _json(self.energy_per_fastener),
            "readings": [measure.as_json() for measure in self.typed],
            "motor_line": None
            if isinstance(line, str)
            else {
                "speed_per_volt": line.speed_per_volt.as_json(),
                "resistance": line.ohm.as_json(),
                "left_rpm": line.left_rpm,
            },
            "motor_line_untold": line if isinstance(line, str) else None,
            "warnings": list(self.run.summary.warnings),
        }


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """The speeds of a later run against those of the first: without load, and in the work."""

    recording: str
    no_load: SpeedChange | None
    working: SpeedChange | None

    def as_json(self) -> dict[str, Any]:
        """Return it as the command line prints it."""
        return {
            "recording": self.recording,
            "no_load": None if self.no_load is None else _change(self.no_load),
            "working": None if self.working is None else _change(self.working),
        }


def run_work(recording: Recording, progress: Callable[[int], None] = lambda _rows: None) -> RunWork:
    """Return the work of a recording; `progress` as `studied_run.study` has it."""
    run = study(recording, [name for name in recording.columns if name in _COLUMNS], progress)
    figures = run.summary.figures
    first_us = figures.first_tick_us or 0
    known = run.summary.known
    only_free = (run.card.kind or "").strip().lower() == _KIND_FREE_RUN
    spans = [
        (_free_run if only_free else _spans)(
            cut, first_us, cut_uncertainties(cut.record, known).get("energy")
        )
        for cut in numbered_cuts(figures)
    ]
    cuts = tuple(cut_work(run.columns, span, run.card, run.uncertainties) for span in spans)
    points = [point for cut in cuts for point in (cut.no_load, cut.working) if point is not None]
    line = motor_line(points, _electronics(run))
    first = next((cut.working for cut in cuts if cut.working is not None), None)
    changes = tuple(
        None
        if first is None or cut.working is None or cut.working is first
        else speed_change(line, first, cut.working, _gain(run), _electronics(run))
        for cut in cuts
    )
    return RunWork(
        run,
        cuts,
        line,
        changes,
        mean_working([cut.no_load for cut in cuts]),
        mean_working([cut.working for cut in cuts]),
        _per_fastener(run),
        typed_measures(
            recording.document.get("readings", []),
            [span.cut.start_s for span in spans],
            run.card.piston_area_mm2,
        ),
    )


def compare(first: RunWork, later: RunWork) -> Comparison:
    """Return what made the speeds of a later run differ from those of the first, by the first's line."""

    def change(before: Working | None, after: Working | None) -> SpeedChange | None:
        if before is None or after is None:
            return None
        return speed_change(first.line, before, after, _gain(first.run), _electronics(first.run))

    return Comparison(
        str(later.run.summary.recording.path),
        change(first.no_load, later.no_load),
        change(first.working, later.working),
    )


def _gain(run: StudiedRun, column: str = SPEED) -> float:
    """Return a channel's relative uncertainty: the rig is the same in all runs that are compared."""
    known = run.uncertainties.get(column)
    return 0.0 if known is None else known.gain


def _electronics(run: StudiedRun) -> Electronics:
    return Electronics(run.card.regulated, run.card.current_limit_a)


def _seconds(start_us: int, end_us: int, first_us: int) -> Span:
    return Span((start_us - first_us) * 1e-6, (end_us - first_us) * 1e-6)


def _free_run(cut: NumberedCut, first_us: int, u_energy: float | None) -> WorkSpans:
    """Return a stretch in which the tool ran free throughout, as the card says."""
    record = cut.record
    whole = _seconds(record.start_us, record.end_us, first_us)
    energy = Figure(record.energy_wh, u_energy, "Wh")
    return WorkSpans(cut.number, whole, whole, None, energy, only_free=True)


def _spans(cut: NumberedCut, first_us: int, u_energy: float | None) -> WorkSpans:
    record, phases = cut.record, cut.record.phases
    free = next((phase for phase in phases.spans if phase.name == _FREE_RUN), None)
    work = None
    if phases.contact_us is not None and phases.severance_us is not None:
        work = _seconds(phases.contact_us, phases.severance_us, first_us)
    return WorkSpans(
        cut.number,
        _seconds(record.start_us, record.end_us, first_us),
        None if free is None else _seconds(free.start_us, free.end_us, first_us),
        work,
        Figure(record.energy_wh, u_energy, "Wh"),
    )


def _per_fastener(run: StudiedRun) -> Figure | None:
    energy, fasteners = run.summary.stated.energy, run.card.fasteners
    if energy is None or fasteners is None:
        return None
    return Figure(energy.value / fasteners, None if energy.u is None else energy.u / fasteners, "Wh")


def _cut(cut: CutWork) -> dict[str, Any]:
    return {
        "index": cut.number,
        "mechanical_power": _json(cut.mechanical_power),
        "efficiency": _json(cut.efficiency),
        "energy_per_mm2": _json(cut.energy_per_mm2),
        "cutting_rate": _json(cut.cutting_rate),
        "no_load_speed": _json(None if cut.no_load is None else cut.no_load.speed),
        "working_speed": _json(None if cut.working is None else cut.working.speed),
        "slump": _json(cut.slump),
        "slump_percent": _json(cut.slump_percent),
        "speed_per_volt": _json(cut.speed_per_volt),
        "stall_torque": _json(cut.stall_torque),
        **_press(cut.press or PressFigures()),
        "says": list(cut.says),
    }


def _press(press: PressFigures) -> dict[str, Any]:
    return {
        "force_at_end": _json(press.force_at_end),
        "peak_force": _json(press.peak_force),
        "pressure_at_end": _json(press.pressure_at_end),
        "time_to_threshold": _json(press.time_to_threshold),
    }


def _change(change: SpeedChange) -> dict[str, Any]:
    return {
        "change": change.change.as_json(),
        "by_voltage": _json(change.by_voltage),
        "by_load": _json(change.by_load),
        "left": _json(change.left),
        "reason": change.reason.value,
        "says": change.says,
    }


def _json(figure: Figure | None) -> dict[str, Any] | None:
    return None if figure is None else figure.as_json()
