"""`sagline work REC...`: what the pack did to the tool's work, and why speeds differ."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from tui.formatting import COVERAGE_MEANS
from tui.output import ProgressLine, print_json, print_result

if TYPE_CHECKING:
    import argparse

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
    from tui.study_words import change_words, cut_words, figure_words, line_words, typed_words

    print_result(f"{one.run.summary.recording.path.name}   the tool's work")
    if not one.cuts:
        print_result("  no cuts: the current never stayed at work long enough to be one")
    for cut in one.cuts:
        told = "; ".join(cut_words(cut)) or "cannot tell: it takes a speed, a torque, a force or a pressure"
        print_result(f"  cut {cut.number}   {told}")
        for words in cut.says:
            print_result(f"          {words}")
    if one.energy_per_fastener is not None:
        print_result(f"  energy for each fastener {figure_words(one.energy_per_fastener, 4)} Wh")
    for measure in one.typed:
        print_result(f"  typed {typed_words(measure)}")
    print_result(f"  {line_words(one.stated_line)}")
    for cut, change in zip(one.cuts, one.changes, strict=True):
        if change is not None:
            print_result(f"  cut {cut.number} against the first: {change_words(change)}")


def _compare(comparison: Comparison, first: str) -> None:
    from tui.study_words import change_words

    print_result(f"{Path(comparison.recording).name} against {first}")
    for name, change in (("no load", comparison.no_load), ("in the work", comparison.working)):
        words = "cannot tell: a run has no such speed" if change is None else change_words(change)
        print_result(f"  {name:12} {words}")
