"""`sagline recalibrate REC`: a new recording with a mended constant; the old one stays."""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from capture.quantities import unit_of
from capture.storage.naming import RECORDING_ENDING
from tui.known_values import is_within_reason, typed_constants
from tui.output import ProgressLine, WrongUsage, print_json, print_result, say

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from capture.calibration.mending import NewConstants
    from capture.storage.recording import Recording


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.epilog = (
        "New reading = scale x what the logger gave + offset: the constants replace those that the recording "
        "was made with. Other kinds of channels are mended by the names of their constants, such as --set "
        "lever_arm_m=0.25; a wrong name lists those that the channel has. Old and new constants are named in "
        "the new file. What was known of the old constants' uncertainty says nothing of the new ones: give "
        "it, or what is assumed of a channel that nobody calibrated counts. A channel that was zeroed in the "
        "run stays zeroed."
    )
    parser.add_argument("recording", type=Path, metavar="REC", help="a recording (.parquet)")
    parser.add_argument("--channel", metavar="NAME", help="the column, such as current_a")
    parser.add_argument(
        "--rig",
        action="append",
        default=[],
        metavar="NAME=NUMBER",
        help="a constant of the rig in place of a channel's, such as lead_length_m=1.2, fuse_mohm=1.3",
    )
    parser.add_argument("--scale", type=float, metavar="S", help="its new scale")
    parser.add_argument("--offset", type=float, metavar="O", help="its new offset, in its unit")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=NUMBER",
        help="a constant by its name, such as pulses_per_rev=4, beta_k=3950, shunt_mohm=0.5 (again for more)",
    )
    parser.add_argument(
        "--u-gain-percent", type=float, metavar="P", help="standard uncertainty of the gain in percent"
    )
    parser.add_argument("--u-scale", type=float, metavar="U", help="standard uncertainty of the scale")
    parser.add_argument(
        "--u-offset", type=float, metavar="U", help="standard uncertainty of the offset, in its unit"
    )
    parser.add_argument("--reference", metavar="TEXT", help="what the new constant comes from")
    parser.add_argument("-o", "--out", type=Path, metavar="OUT.parquet", help="the new recording")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Make the new recording; return the exit status."""
    from capture.storage.recording import open_recording

    source: Path = arguments.recording
    target = arguments.out or source.with_name(f"{source.stem}_recalibrated{RECORDING_ENDING}")
    mend = _mend_rig if arguments.rig else _mend_channel
    what, made = mend(arguments, lambda: open_recording(source), target)
    if arguments.json:
        print_json({"recording": str(made)})
    else:
        print_result(f"{made}   {what} mended; {source} is as it was")
    return 0


def _mend_channel(
    arguments: argparse.Namespace, opened: Callable[[], Recording], target: Path
) -> tuple[str, Path]:
    """Make the new recording with a channel's constants mended; return what was mended, and its path."""
    from capture.recalibration import recalibrate

    constants = _constants(arguments)
    recording = opened()
    progress = ProgressLine("recalibrating")
    made = recalibrate(recording, constants, target, lambda rows: progress.update(rows, recording.rows), say)
    if constants.u_scale is None and constants.u_gain_percent is None and constants.u_offset is None:
        say(_u_in_words(arguments.channel))
    return arguments.channel, made


def _mend_rig(
    arguments: argparse.Namespace, opened: Callable[[], Recording], target: Path
) -> tuple[str, Path]:
    """Make the new recording with the rig's constants mended; return what was mended, and its path."""
    from capture.recalibration import recalibrate_rig

    options = ("channel", "scale", "offset", "u_scale", "u_offset", "u_gain_percent")
    if arguments.set or any(getattr(arguments, name) is not None for name in options):
        raise WrongUsage("--rig mends the rig: give it without --channel and its constants")
    constants, us = typed_constants(arguments.rig, "--rig")
    for key, u in us.items():
        if not key.endswith("_mohm"):
            raise WrongUsage(f"--rig takes an uncertainty of resistances alone, not of {key}")
        constants[f"{key.removesuffix('_mohm')}_u_mohm"] = u
    recording = opened()
    progress = ProgressLine("recalibrating")
    made = recalibrate_rig(
        recording,
        constants,
        target,
        lambda rows: progress.update(rows, recording.rows),
        date=_today(),
        reference=arguments.reference,
    )
    return "the rig", made


def _today() -> str:
    return datetime.now().astimezone().date().isoformat()


def _constants(arguments: argparse.Namespace) -> NewConstants:
    """Return what is to be mended; raise WrongUsage where the options make no sense."""
    from capture.calibration.mending import NewConstants

    if arguments.channel is None:
        raise WrongUsage("give --channel NAME, or --rig NAME=NUMBER for the rig")
    by_line = arguments.scale is not None or arguments.offset is not None
    if by_line == bool(arguments.set):
        raise WrongUsage(
            "--set names single constants and --scale, --offset the whole line: give one or the other"
            if by_line
            else "give --scale, --offset, or both; or --set NAME=NUMBER"
        )
    for name in ("u_scale", "u_offset", "u_gain_percent"):
        value = getattr(arguments, name)
        if value is not None and not 0 <= value < math.inf:
            raise WrongUsage(f"--{name.replace('_', '-')} must be a number and not below 0")
    for name in ("scale", "offset"):
        value = getattr(arguments, name)
        if value is not None and not is_within_reason(value):
            raise WrongUsage(f"--{name} must be a number that a channel can have")
    if arguments.u_scale is not None and arguments.u_gain_percent is not None:
        raise WrongUsage("--u-scale and --u-gain-percent say the same: leave one out")
    named, us = typed_constants(arguments.set)
    if us:
        raise WrongUsage("an uncertainty is given with --u-scale or --u-gain-percent, and --u-offset")
    return NewConstants(
        arguments.channel,
        arguments.scale,
        arguments.offset,
        arguments.u_scale,
        arguments.u_offset,
        _today(),
        arguments.reference,
        named,
        arguments.u_gain_percent,
    )


def _u_in_words(column: str) -> str:
    """Return what counts now that nothing is known of the new constants' uncertainty."""
    from capture.uncertainty.known import assumed_of

    assumed = assumed_of(column)
    if assumed is None:
        return f"{column} has no uncertainty now: give --u-scale or --u-gain-percent, and --u-offset"
    gain = f"{100 * assumed.gain:g} % and " if assumed.gain else ""
    return (
        f"the uncertainty of {column} is now that {assumed.source}: {gain}{assumed.offset:g} "
        f"{unit_of(column) or ''}; give --u-scale or --u-gain-percent, and --u-offset where it is known"
    )
