"""`sagline import FILE.csv`: a recording made of a table that another program wrote."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

from capture.bench import FILE_NAME, find_bench
from capture.errors import InputError
from capture.run_card import KINDS, RunCard
from capture.storage.naming import DEFAULT_FOLDER, RECORDING_ENDING, new_recording
from tui.commands.logger_option import add_logger_argument
from tui.output import ProgressLine, WrongUsage, print_json, print_result, say

if TYPE_CHECKING:
    import argparse

_COLUMNS = (
    "Columns are taken by our names (t_s, current_a, voltage_v, speed_rpm, force_n, torque_nm, "
    "pack_temperature_degc, group_1_v ...), by quantity and unit in the header (Current [mA], Voltage / V), "
    "or as --map says. The current must be positive while the pack discharges."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.epilog = _COLUMNS
    parser.add_argument("file", type=Path, metavar="FILE.csv", help="the table: a line of headers, then rows")
    parser.add_argument(
        "--map",
        action="append",
        default=[],
        metavar="THEIRS=OURS",
        help="what a column is, such as --map 'I load [mA]=current_a' (again for more)",
    )
    parser.add_argument(
        "--interval", type=float, metavar="S", help="rows are S seconds apart; a column of times is left out"
    )
    parser.add_argument(
        "--discharge-negative",
        action="store_true",
        help="the current of the file is negative while the pack discharges: turn it round",
    )
    parser.add_argument(
        "--bench", type=Path, metavar="FILE", help=f"the file that describes your packs (./{FILE_NAME})"
    )
    parser.add_argument("--pack", help="the pack on the tool, for the run card")
    parser.add_argument("--tool", help="the tool, for the run card")
    add_logger_argument(parser)
    parser.add_argument("--kind", help=f"kind of run: {', '.join(KINDS)}, or words of your own")
    parser.add_argument("--note", default="", help="a note, for the run card")
    parser.add_argument(
        "-o", "--out", type=Path, metavar="OUT.parquet", help="the recording to make (in ./recordings)"
    )
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Import the file; return the exit status."""
    from capture.importing.csv_import import ImportOptions, import_csv

    if arguments.interval is not None and not arguments.interval > 0:
        raise WrongUsage("--interval is the time between two rows in seconds, above 0")
    bench = find_bench(arguments.bench)
    card = bench.completed(RunCard(arguments.kind, arguments.pack, arguments.tool, arguments.note))
    if bench.path is not None and card.pack is not None and card.pack not in bench.packs:
        known = ", ".join(sorted(bench.packs)) or "none"
        say(f"{bench.path} does not tell of the pack {card.pack!r} (known: {known})")
    target = _target(arguments.out, arguments.file, card)
    options = ImportOptions(
        _mapping(arguments.map),
        card,
        arguments.discharge_negative,
        arguments.interval,
        bench.logger("", arguments.logger),
    )
    progress = ProgressLine("importing")
    made = import_csv(arguments.file, target, options, progress.update)
    if made.left_out:
        names = ", ".join(map(repr, made.left_out[:12])) + (" ..." if len(made.left_out) > 12 else "")  # noqa: PLR2004
        say(f"left out, because neither name nor unit is known: {names}. Name them with --map.")
    for remark in made.remarks:
        say(f"! {remark}")
    if options.calibrated.name:
        say(f"calibrated as the logger {options.calibrated.name!r} of {bench.path}")
    if arguments.json:
        print_json({"recording": str(made.recording), "samples": made.samples})
    else:
        print_result(f"{made.recording}   {made.samples} samples")
    return 0


def _target(given: Path | None, source: Path, card: RunCard) -> Path:
    if given is None:
        return new_recording(DEFAULT_FOLDER, card, time.time_ns(), source.stem)
    if given.suffix != RECORDING_ENDING:
        raise WrongUsage(f"-o names a recording, which ends in {RECORDING_ENDING}")
    if given.exists():
        raise InputError("is there already", str(given), "Give another name, or move it away.")
    if not given.parent.is_dir():
        raise InputError("is no folder", str(given.parent), "Make it first, or give another name.")
    return given


def _mapping(given: list[str]) -> dict[str, str]:
    mapping = {}
    for text in given:
        theirs, sign, ours = text.rpartition("=")
        if not sign or not theirs.strip() or not ours.strip():
            raise WrongUsage(f"--map wants THEIRS=OURS, such as 'I load=current_a', and got {text!r}")
        mapping[theirs.strip()] = ours.strip()
    return mapping
