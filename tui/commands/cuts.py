"""`sagline cuts REC`: the stretches of work of a recorded run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tui.commands.reading import add_recording_argument, read_summary
from tui.output import print_json, print_result

if TYPE_CHECKING:
    import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    add_recording_argument(parser)


def run(arguments: argparse.Namespace) -> int:
    """Print the cuts; return the exit status."""
    from capture.cut_figures import cut_document, numbered_cuts
    from capture.cut_uncertainty import cut_uncertainties
    from tui.formatting import COVERAGE_MEANS
    from tui.widgets.cut_rows import GAP_MEANS, UNFINISHED_MEANS, text_lines

    summary = read_summary(arguments.recording)
    cuts, first_tick_us = numbered_cuts(summary.figures), summary.figures.first_tick_us or 0
    if arguments.json:
        in_blows = summary.card.torque_comes_in_blows
        documents = [
            cut_document(cut, first_tick_us, summary.known, torque_in_blows=in_blows) for cut in cuts
        ]
        print_json({"cuts": documents})
        return 0
    if not cuts:
        print_result("No cuts: the current never stayed at work long enough to be one.")
        return 0
    us = [cut_uncertainties(cut.record, summary.known) for cut in cuts]
    for line in text_lines(cuts, first_tick_us, us):
        print_result(line)
    print_result(COVERAGE_MEANS)
    if any(cut.record.has_gap for cut in cuts):
        print_result(GAP_MEANS)
    if any(cut.unfinished for cut in cuts):
        print_result(UNFINISHED_MEANS)
    for warning in summary.warnings:
        print_result(f"! {warning}")
    return 0
