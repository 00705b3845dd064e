"""`sagline curve REC...`: a pack's open-circuit curve, learnt from its own runs, as lines of a bench file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.errors import InputError
from tui.output import ProgressLine, print_json, print_result, say

if TYPE_CHECKING:
    import argparse

    from capture.run_card import RunCard
    from capture.studied_run import StudiedRun
    from capture.studies.learnt_curve import LearntCurve


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "recordings",
        type=Path,
        nargs="+",
        metavar="REC",
        help="recordings of one pack, the fullest from full",
    )
    parser.add_argument("--bench", type=Path, metavar="FILE", help="the bench file (./bench.toml)")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Print the lines; return the exit status."""
    card, learnt = _learnt(arguments)
    if arguments.json:
        print_json(_document(card, learnt))
        return 0
    for line in _lines(card, learnt):
        print_result(line)
    for piece in learnt.pieces:
        start, end = piece.span
        say(f"{piece.name}: from {start:.0%} to {end:.0%} of charge")
    for name, why in learnt.left_out.items():
        say(f"{name}: left out, {why}")
    return 0


def _learnt(arguments: argparse.Namespace) -> tuple[RunCard, LearntCurve]:
    from capture.bench import find_bench
    from capture.studies.learnt_curve import CurveRun, learnt_curve

    bench = find_bench(arguments.bench)
    runs, cards = [], []
    for path in arguments.recordings:
        studied = _studied(path)
        cards.append(bench.completed(studied.card))
        runs.append(CurveRun(path.stem, studied.columns, studied.uncertainties))
    packs = {card.pack for card in cards}
    where = " ".join(str(path) for path in arguments.recordings)
    if len(packs) > 1:
        named = ", ".join(sorted(pack or "no pack" for pack in packs))
        raise InputError(f"are of {len(packs)} packs ({named})", where, "Give the recordings of one pack.")
    try:
        learnt = learnt_curve(runs, cards[0])
    except ValueError as error:
        hint = "Write what the pack has into bench.toml, or amend the recording's card."
        raise InputError(str(error), where, hint) from error
    if learnt is None:
        raise InputError(
            "no run tells anything of the curve", where, "Give runs that draw at least 2 % of the capacity."
        )
    return cards[0], learnt


def _studied(path: Path) -> StudiedRun:
    from capture.storage.recording import open_recording
    from capture.studied_run import study

    recording = open_recording(path)
    progress = ProgressLine(f"reading {path.name}")
    return study(
        recording, ("current_a", "voltage_v"), lambda rows: progress.update(rows, 2 * recording.rows)
    )


def _document(card: RunCard, learnt: LearntCurve) -> dict[str, Any]:
    curve = learnt.curve
    return {
        "pack": card.pack,
        "chemistry": curve.chemistry,
        "state_of_charge": curve.states.tolist(),
        "volts": curve.group_v.tolist(),
        "u_volts": curve.u_v.tolist(),
        "source": curve.source,
        "runs": [
            {"recording": piece.name, "from": piece.span[0], "to": piece.span[1]} for piece in learnt.pieces
        ],
        "left_out": [{"recording": name, "why": why} for name, why in learnt.left_out.items()],
        "toml": "\n".join(_lines(card, learnt)),
    }


def _lines(card: RunCard, learnt: LearntCurve) -> list[str]:
    """Return the lines of the bench file."""
    import json

    curve = learnt.curve
    rows = {"state_of_charge": curve.states, "volts": curve.group_v, "u_volts": curve.u_v}
    return [
        f"[packs.{json.dumps(card.pack or 'NAME')}.open_circuit]",
        *(f"{name} = [{', '.join(f'{value:.5g}' for value in row)}]" for name, row in rows.items()),
        f"source = {json.dumps(curve.source, ensure_ascii=False)}",
    ]
