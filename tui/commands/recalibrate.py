"""`sagline recalibrate REC`: a new recording with a mended constant; the old one stays."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from capture.storage.naming import RECORDING_ENDING
from tui.output import ProgressLine, WrongUsage, print_json, print_result

if TYPE_CHECKING:
    import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.epilog = (
        "New reading = scale x what the logger gave + offset: the constants replace those that the recording "
        "was made with. Both are named in the new file. A channel that was zeroed in the run stays zeroed."
    )
    parser.add_argument("recording", type=Path, metavar="REC", help="a recording (.parquet)")
    parser.add_argument("--channel", required=True, metavar="NAME", help="the column, such as current_a")
    parser.add_argument("--scale", type=float, metavar="S", help="its new scale")
    parser.add_argument("--offset", type=float, metavar="O", help="its new offset, in its unit")
    parser.add_argument("--u-scale", type=float, metavar="U", help="standard uncertainty of the scale")
    parser.add_argument("--u-offset", type=float, metavar="U", help="standard uncertainty of the offset")
    parser.add_argument("--reference", metavar="TEXT", help="what the new constant comes from")
    parser.add_argument("-o", "--out", type=Path, metavar="OUT.parquet", help="the new recording")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Make the new recording; return the exit status."""
    from capture.recalibration import NewConstants, recalibrate
    from capture.storage.recording import open_recording

    if arguments.scale is None and arguments.offset is None:
        raise WrongUsage("give --scale, --offset, or both")
    for name in ("u_scale", "u_offset"):
        value = getattr(arguments, name)
        if value is not None and value < 0:
            raise WrongUsage(f"--{name.replace('_', '-')} must not be below 0")
    recording = open_recording(arguments.recording)
    source: Path = arguments.recording
    target = arguments.out or source.with_name(f"{source.stem}_recalibrated{RECORDING_ENDING}")
    constants = NewConstants(
        arguments.channel,
        arguments.scale,
        arguments.offset,
        arguments.u_scale,
        arguments.u_offset,
        datetime.now().astimezone().date().isoformat(),
        arguments.reference,
    )
    progress = ProgressLine("recalibrating")
    made = recalibrate(recording, constants, target, lambda rows: progress.update(rows, recording.rows))
    if arguments.json:
        print_json({"recording": str(made)})
    else:
        print_result(f"{made}   {arguments.channel} mended; {source} is as it was")
    return 0
