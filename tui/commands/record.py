"""`sagline record ADDRESS`: live screen and recording of a logger."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from capture.bench import FILE_NAME, find_bench
from capture.links.address import open_address
from capture.run_card import RunCard
from tui.commands.capturing import AtFirst, add_capture_arguments, check_arguments, run_session
from tui.commands.guided import KIND, add_guide_arguments, check_load, guide_plan
from tui.commands.logger_option import add_logger_argument, check_logger
from tui.output import say

if TYPE_CHECKING:
    import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("address", metavar="ADDRESS", help="the logger, such as serial:/dev/ttyACM0")
    add_capture_arguments(parser)
    add_guide_arguments(parser)
    parser.add_argument(
        "--bench",
        type=Path,
        metavar="FILE",
        help=f"the file that describes your packs (./{FILE_NAME}, else the one in your configuration folder)",
    )
    parser.add_argument("--pack", help="the pack on the tool, for the run card")
    parser.add_argument("--tool", help="the tool, for the run card")
    add_logger_argument(parser)


def run(arguments: argparse.Namespace) -> int:
    """Record, with a screen or without; return the exit status."""
    check_arguments(arguments)
    guide = guide_plan(arguments)
    bench = find_bench(arguments.bench)
    kind = arguments.kind if guide is None else KIND
    card = bench.completed(RunCard(kind, arguments.pack, arguments.tool, arguments.note))
    if bench.path is not None and card.pack is not None and card.pack not in bench.packs:
        known = ", ".join(sorted(bench.packs)) or "none"
        say(f"{bench.path} does not tell of the pack {card.pack!r}: it has no limits here (known: {known})")
    if guide is not None:
        check_load(guide, card)
    check_logger(bench, arguments.logger)
    link = open_address(arguments.address)
    return run_session(arguments, link, card, at_first=AtFirst.RECORD, bench=bench, guide=guide)
