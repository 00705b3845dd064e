"""`sagline recover [DIR]`: finish interrupted recordings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from capture.errors import InputError
from capture.storage.naming import DEFAULT_FOLDER
from tui.output import ProgressLine, print_json, print_result, say

if TYPE_CHECKING:
    import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("folder", type=Path, nargs="?", default=DEFAULT_FOLDER, metavar="DIR")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Recover what can be; return 1 where a journal could not be."""
    from capture.storage.recovery import recover_folder

    if not arguments.folder.is_dir():
        raise InputError("is not a folder", str(arguments.folder), "Name the folder with the recordings.")
    recovered, damaged = recover_folder(arguments.folder, ProgressLine("recovering").update)
    if arguments.json:
        print_json(
            {
                "recovered": [
                    {
                        "recording": str(one.recording),
                        "samples": one.samples,
                        "lost_samples": one.lost_samples,
                        "skipped_bytes": one.skipped_bytes,
                    }
                    for one in recovered
                ]
            }
        )
    else:
        for one in recovered:
            print_result(f"recovered {one.recording}: {one.samples} samples, {one.lost_samples} lost")
        if not recovered and not damaged:
            print_result(f"Nothing to recover in {arguments.folder}.")
    for error in damaged:
        say(f"sagline: {error}")
    return 1 if damaged else 0
