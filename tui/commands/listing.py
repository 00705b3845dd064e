"""`sagline list [DIR]`: the recordings in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.errors import InputError
from capture.storage.naming import DEFAULT_FOLDER, journals_in
from tui.output import print_json, print_result, say

if TYPE_CHECKING:
    import argparse

    from capture.storage.shelf import ShelvedRecording


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("folder", type=Path, nargs="?", default=DEFAULT_FOLDER, metavar="DIR")
    parser.add_argument("--pack", help="only recordings of this pack")
    parser.add_argument("--tool", help="only recordings with this tool")
    parser.add_argument("--date", help="only recordings begun on this day or in this month, such as 2026-11")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Print the list; return the exit status."""
    folder = arguments.folder
    if not folder.is_dir():
        raise InputError("is not a folder", str(folder), "Record something first, or name another folder.")
    from capture.storage.shelf import recordings_in

    found, unreadable = recordings_in(folder)
    oldest_first = [_entry(shelved) for shelved in reversed(found)]
    chosen = [entry for entry in oldest_first if _wanted(entry, arguments)]
    interrupted = journals_in(folder)
    if arguments.json:
        print_json({"recordings": chosen, "interrupted": [str(path) for path in interrupted]})
    else:
        for entry in chosen:
            print_result(
                f"{entry['started'][:19]}  {entry['pack'] or '-'!s:12} {entry['kind'] or '-'!s:12} "
                f"{entry['duration_s']:9.1f} s  {entry['lost_samples']:6d} lost  {entry['recording']}"
            )
        if not chosen:
            print_result(f"No recordings in {folder}. Make one: sagline demo, then press r.")
    for error in unreadable:
        say(f"sagline: {error}")
    if interrupted:
        counted = f"{len(interrupted)} recordings are running or were interrupted"
        say(f"{counted}; finish the interrupted ones with: sagline recover {folder}")
    return 0


def _entry(shelved: ShelvedRecording) -> dict[str, Any]:
    """Return a recording as it stands in the JSON."""
    card = shelved.card
    return {
        "recording": str(shelved.path),
        "started": shelved.started,
        "pack": card.pack,
        "tool": card.tool,
        "kind": card.kind,
        "note": card.note,
        "outcome": card.outcome,
        "duration_s": shelved.duration_s,
        "samples": shelved.samples,
        "lost_samples": shelved.lost_samples,
        "interrupted": shelved.interrupted,
    }


def _wanted(entry: dict[str, Any], arguments: argparse.Namespace) -> bool:
    return (
        (arguments.pack is None or entry["pack"] == arguments.pack)
        and (arguments.tool is None or entry["tool"] == arguments.tool)
        and (arguments.date is None or str(entry["started"]).startswith(arguments.date))
    )
