"""`sagline` without a command: the first screen."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from capture.bench import find_bench
from capture.storage.naming import DEFAULT_FOLDER
from tui.commands.on_screen import run_on_screen

if TYPE_CHECKING:
    import argparse


def run(arguments: argparse.Namespace) -> int:
    """Show the screens until the operator leaves; return the exit status."""
    return run_on_screen(Path(arguments.first_folder or DEFAULT_FOLDER), find_bench())
