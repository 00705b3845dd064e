"""`sagline record ADDRESS`: live screen and recording of a logger."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.links.address import open_address
from capture.run_card import RunCard
from tui.commands.capturing import AtFirst, add_capture_arguments, check_arguments, run_session

if TYPE_CHECKING:
    import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("address", metavar="ADDRESS", help="the logger, such as serial:/dev/ttyACM0")
    add_capture_arguments(parser)
    parser.add_argument("--pack", help="the pack on the tool, for the run card")
    parser.add_argument("--tool", help="the tool, for the run card")


def run(arguments: argparse.Namespace) -> int:
    """Record, with a screen or without; return the exit status."""
    check_arguments(arguments)
    card = RunCard(arguments.kind, arguments.pack, arguments.tool, arguments.note)
    return run_session(arguments, open_address(arguments.address), card, at_first=AtFirst.RECORD)
