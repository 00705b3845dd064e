"""`sagline work REC...`: what the pack did to the tool's work, and why speeds differ."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from capture.quantities import Figure
from tui.formatting import COVERAGE_MEANS, decimals_of, plain, plus_minus
from tui.output import ProgressLine, print_json, print_result

if TYPE_CHECKING:
    import argparse

    from capture.studies.motor_line import SpeedChange
    from capture.studies.typed_measures import TypedMeasure
    from capture.studies.work_figures import CutWork
    from capture.work import Comparison, RunWork

_MEANS: Final = (
    "The motor's line says what a change of the terminal voltage and a change of the load (current) did to "
    "the speed; what is left over is a change of tool, accessory or feed. A tool that regulates its speed or "
    "clamps its current has no such line: then it cannot tell. Of several recordings each is compared with "
    "the first."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.epilog = _MEANS
    parser.add_argument("recordings", type=Path, nargs="+", metavar="REC", help="recordings (.parquet)")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Print the work; return the exit status."""
    from capture.work import compare

    runs = [_read(path) for path in arguments.recordings]
    comparisons = [compare(runs[0], later) for later in runs[1:]]
    if arguments.json:
        print_json(
            {
                "runs": [one.as_json() for one in runs],
                "comparisons": [comparison.as_json() for comparison in comparisons],
            }
        )
        return 0
    for one in runs:
        _print(one)
    for comparison in comparisons:
        _compare(comparison, arguments.recordings[0].name)
    print_result(COVERAGE_MEANS)
    return 0


def _read(path: Path) -> RunWork:
    from capture.storage.recording import open_recording
    from capture.work import run_work

    recording = open_recording(path)
    progress = ProgressLine("reading")
    return run_work(recording, lambda rows: progress.update(rows, 2 * recording.rows))


def _print(one: RunWork) -> None:
    from capture.studies.motor_line import MotorLine

    print_result(f"{one.run.summary.recording.path.name}   the tool's work")
    if not one.cuts:
        print_result("  no cuts: the current never stayed at work long enough to be one")
    for cut in one.cuts:
        told = "; ".join(_shown(cut)) or "cannot tell: it takes a speed, a torque, a force or a pressure"
        print_result(f"  cut {cut.number}   {told}")
        for words in cut.says:
            print_result(f"          {words}")
    if one.energy_per_fastener is not None:
        print_result(f"  energy for each fastener {_text(one.energy_per_fastener, 4)} Wh")
    for measure in one.typed:
        print_result(f"  typed {_typed(measure)}")
    line = one.stated_line
    if isinstance(line, MotorLine):
        print_result(
            f"  motor line: {_text(line.speed_per_volt, 1)} rpm/V, {_text(line.ohm, 4)} Ω from the terminals "
            f"on, left over {line.left_rpm:.0f} rpm"
        )
    else:
        print_result(f"  motor line: cannot tell, {line}")
    for cut, change in zip(one.cuts, one.changes, strict=True):
        if change is not None:
            print_result(f"  cut {cut.number} against the first: {_words(change)}")


def _shown(cut: CutWork) -> list[str]:
    """Return the figures that a cut has, in words."""
    from capture.studies.press_figures import PressFigures

    press = cut.press or PressFigures()
    told = (
        ("mechanical power", cut.mechanical_power, 0, "W"),
        ("efficiency", cut.efficiency, 3, ""),
        ("energy for each mm²", cut.energy_per_mm2, 6, "Wh"),
        ("cutting rate", cut.cutting_rate, 1, "mm²/s"),
        ("no-load speed", None if cut.no_load is None else cut.no_load.speed, 0, "rpm"),
        ("working speed", None if cut.working is None else cut.working.speed, 0, "rpm"),
        ("speed slump", cut.slump, 0, "rpm"),
        ("speed for each volt", cut.speed_per_volt, 1, "rpm/V"),
        ("stall torque", cut.stall_torque, 2, "N·m"),
        ("force at the end", press.force_at_end, 0, "N"),
        ("highest force", press.peak_force, 0, "N"),
        ("pressure at the end", _mega(press.pressure_at_end), 3, "MPa"),
        ("time to the threshold", press.time_to_threshold, 3, "s"),
    )
    return [
        f"{name} {_text(figure, decimals)} {unit}".rstrip()
        for name, figure, decimals, unit in told
        if figure is not None
    ]


def _mega(figure: Figure | None) -> Figure | None:
    if figure is None:
        return None
    return Figure(figure.value * 1e-6, None if figure.u is None else figure.u * 1e-6, f"M{figure.unit}")


def _typed(measure: TypedMeasure) -> str:
    """Return what was read from a gauge, in words: its mean, how often, and in which cuts."""
    figure = measure.figure
    value = f"{figure.value:g}" if figure.u is None else _text(figure, decimals_of(figure.u))
    cuts = ", ".join(str(cut) for cut in measure.cuts if cut is not None)
    often = "once" if measure.readings == 1 else f"{measure.readings} times"
    where = f", cut {cuts}" if cuts else ""
    unit = "" if figure.unit == "1" else f" {plain(figure.unit)}"
    return f"{plain(measure.quantity)} {value}{unit}, read {often}{where}"


def _compare(comparison: Comparison, first: str) -> None:
    print_result(f"{Path(comparison.recording).name} against {first}")
    for name, change in (("no load", comparison.no_load), ("in the work", comparison.working)):
        words = "cannot tell: a run has no such speed" if change is None else _words(change)
        print_result(f"  {name:12} {words}")


def _words(change: SpeedChange) -> str:
    parts = [("voltage", change.by_voltage), ("load", change.by_load), ("left over", change.left)]
    split = ", ".join(f"{name} {_text(figure, 0)}" for name, figure in parts if figure is not None)
    return f"{_text(change.change, 0)} rpm{f' ({split})' if split else ''}: {change.says}"


def _text(figure: Figure | None, decimals: int) -> str:
    return "cannot tell" if figure is None else plus_minus(figure.value, figure.u, decimals)
