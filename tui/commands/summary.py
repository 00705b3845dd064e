"""`sagline summary REC`: a recorded run in figures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from tui.output import ProgressLine, print_json, print_result

if TYPE_CHECKING:
    import argparse

    from capture.quantities import Figure
    from capture.summary import Summary


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("recording", type=Path, metavar="REC", help="a recording (.parquet)")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Print the summary; return the exit status."""
    from capture.storage.recording import open_recording
    from capture.summary import summarise

    recording = open_recording(arguments.recording)
    progress = ProgressLine("reading")
    summary = summarise(recording, lambda rows: progress.update(rows, recording.rows))
    if arguments.json:
        print_json(summary.as_json())
    else:
        _print(summary)
    return 0


def _print(summary: Summary) -> None:
    figures, document = summary.figures, summary.recording.document
    card = document["run_card"]
    about = ", ".join(str(card[key]) for key in ("kind", "pack", "tool") if card.get(key))
    print_result(f"{summary.recording.path.name}   {about}")
    print_result(f"  {'duration':18} {figures.duration_s:10.3f} s")
    print_result(f"  {'samples':18} {figures.samples:10d}   {document['lost_samples']} lost")
    rows: list[tuple[str, Figure | None, int]] = [
        ("energy, net", figures.energy, 4),
        ("energy, returned", figures.energy_returned, 4),
        ("charge, net", figures.charge, 4),
        ("peak current", figures.peak_current, 2),
        ("peak power", figures.peak_power, 1),
        ("rest voltage", figures.rest_voltage, 3),
        ("minimum voltage", figures.minimum_voltage, 3),
        ("drop from rest", figures.drop_from_rest, 3),
    ]
    for name, figure, decimals in rows:
        value = "cannot tell" if figure is None else f"{figure.value:10.{decimals}f} {figure.unit}"
        print_result(f"  {name:18} {value}")
    print_result(f"  {'cuts':18} {'cannot tell' if figures.cuts is None else f'{figures.cuts:10d}'}")
    for mark in document["marks"]:
        at = "?" if mark["t_s"] is None else f"{mark['t_s']:.3f}"
        print_result(f"  {'mark':18} {at:>10} s {mark['text']}")
    for warning in summary.warnings:
        print_result(f"  ! {warning}")
