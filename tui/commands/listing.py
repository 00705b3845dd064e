"""`sagline list [DIR]`: the recordings in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.errors import InputError, StorageError
from capture.storage.naming import DEFAULT_FOLDER, journals_in
from tui.output import print_json, print_result, say

if TYPE_CHECKING:
    import argparse


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
    found, unreadable = _read_folder(folder)
    chosen = [entry for entry in found if _wanted(entry, arguments)]
    interrupted = journals_in(folder)
    if arguments.json:
        print_json({"recordings": chosen, "interrupted": [str(path) for path in interrupted]})
    else:
        for entry in chosen:
            print_result(
                f"{entry['started'][:19]}  {entry['pack'] or '-':12} {entry['kind'] or '-':12} "
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


def _read_folder(folder: Path) -> tuple[list[dict[str, Any]], list[StorageError]]:
    """Return what the recordings say of themselves, oldest first, and why others could not be read."""
    from capture.storage.recording import open_recording

    found: list[dict[str, Any]] = []
    unreadable: list[StorageError] = []
    for path in sorted(folder.glob("*.parquet")):
        try:
            recording = open_recording(path)
        except StorageError as error:
            unreadable.append(error)
            continue
        document = recording.document
        found.append(
            {
                "recording": str(path),
                "started": document["opened"],
                "pack": document["run_card"].get("pack"),
                "tool": document["run_card"].get("tool"),
                "kind": document["run_card"].get("kind"),
                "note": document["run_card"].get("note"),
                "duration_s": recording.span_s,
                "samples": recording.rows,
                "lost_samples": document["lost_samples"],
                "interrupted": document["interrupted"],
            }
        )
    return sorted(found, key=lambda entry: str(entry["started"])), unreadable


def _wanted(entry: dict[str, Any], arguments: argparse.Namespace) -> bool:
    return (
        (arguments.pack is None or entry["pack"] == arguments.pack)
        and (arguments.tool is None or entry["tool"] == arguments.tool)
        and (arguments.date is None or str(entry["started"]).startswith(arguments.date))
    )
