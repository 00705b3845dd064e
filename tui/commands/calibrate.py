"""`sagline calibrate ADDRESS`: zero, span and constants of a channel, and the rig, kept in the bench file."""

from __future__ import annotations

import math
import re
import stat
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from capture.bench import FILE_NAME
from capture.calibration.kinds import ALL_KEYS, KINDS
from capture.calibration.written import RIG_PARTS
from capture.errors import InputError
from tui.commands import calibration_dialogue as dialogue
from tui.commands.calibration_entry import PATIENCE_S, channel_entry, is_told, reading_of
from tui.commands.calibration_guide import CURRENT_CAUTION, GENERAL_CAUTION
from tui.commands.calibration_rig import rig_entry
from tui.output import WrongUsage, print_json, print_result, say, say_prose

if TYPE_CHECKING:
    import argparse

    from capture.engine.averaging import ListeningLogger

_LONGEST_S: Final = 3600.0
_HOW: Final = (
    "Known values are set one after the other, such as no current, 5 A and 20 A by a meter you trust; the "
    "line through them is kept with its uncertainties. One value alone is a zero. The gain of the meter "
    "itself (--meter-gain-percent) is the same in all and is never averaged away. What is typed and not "
    "measured (pulses, resistors, beta) is given as --set. At a terminal it asks for what is missing, step "
    "by step; with all given it asks nothing. "
    f"{CURRENT_CAUTION} {GENERAL_CAUTION}"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.epilog = _HOW
    # a known value may be below zero: `--thermistor-point -10=55000` is a value and no option
    parser._negative_number_matcher = re.compile(r"-\.?\d")  # noqa: SLF001
    parser.add_argument("address", metavar="ADDRESS", help="the logger, such as serial:/dev/ttyACM0")
    parser.add_argument("--channel", metavar="NAME", help="the column, such as current_a")
    parser.add_argument("--kind", choices=list(KINDS), help="what the channel is (gain)")
    parser.add_argument("--zero", action="store_true", help="what is read now is zero: the first known value")
    parser.add_argument(
        "--keep-scale", action="store_true", help="keep the scale that the bench file has; set its zero alone"
    )
    _add_known_values(parser)
    parser.add_argument("--becomes", metavar="COLUMN", help="the column that its readings become")
    parser.add_argument("--reference", metavar="TEXT", help="what it was compared with")
    parser.add_argument("--logger", metavar="NAME", help="the logger's name in the bench file (bench)")
    parser.add_argument("--bench", type=Path, default=Path(FILE_NAME), metavar="FILE", help=f"./{FILE_NAME}")
    parser.add_argument("--yes", action="store_true", help="keep it without asking")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def _add_known_values(parser: argparse.ArgumentParser) -> None:
    again: dict[str, Any] = {"action": "append", "default": []}
    parser.add_argument(
        "--point",
        metavar="VALUE[+-U]",
        help="the value now, and its standard uncertainty; without a terminal one at most, beside --zero",
        **again,
    )
    parser.add_argument(
        "--read",
        metavar="VALUE[+-U]=READING[+-U]",
        help="a known value and what the logger read there, measured before (again for more)",
        **again,
    )
    parser.add_argument(
        "--thermistor-point",
        metavar="DEGC[+-U]=OHM[+-U]",
        help="a temperature and the thermistor's resistance there: two make a beta, three Steinhart-Hart",
        **again,
    )
    parser.add_argument(
        "--set",
        metavar="NAME=NUMBER[+-U]",
        help="a constant that is typed, such as pulses_per_rev=2, beta_k=3977, lever_arm_m=0.25+-0.001",
        **again,
    )
    parser.add_argument(
        "--drop",
        metavar="PART=VOLT[+-U]",
        help=f"the voltage over a part of the rig ({', '.join(RIG_PARTS)}) while a steady current flows",
        **again,
    )
    parser.add_argument(
        "--meter-gain-percent", type=float, default=0.0, metavar="P", help="gain uncertainty of your meter"
    )
    parser.add_argument("--seconds", type=float, default=5.0, metavar="S", help="mean over S seconds (5)")
    parser.add_argument(
        "--wait",
        type=float,
        nargs="?",
        const=PATIENCE_S,
        metavar="S",
        help="wait up to S seconds (60) until the reading holds still; at a terminal it always does",
    )


def run(arguments: argparse.Namespace) -> int:
    """Calibrate one channel, or the rig; return the exit status."""
    from capture.engine.averaging import ListeningLogger
    from capture.links.address import open_address

    asks = sys.stdin.isatty() and not arguments.json
    _check(arguments, asks=asks)
    _check_bench(arguments.bench)
    say_prose(f"{CURRENT_CAUTION} {GENERAL_CAUTION}")
    name = arguments.logger or "bench"
    with ListeningLogger(open_address(arguments.address)) as listening:
        said = listening.logger.identity.name
        if arguments.drop:
            entry = rig_entry(arguments, listening, reading_of(arguments, asks=asks))
            tables: tuple[str, ...] = ("rig",)
        else:
            channel = _channel(arguments, listening, asks=asks)
            entry = channel_entry(arguments, listening, channel, asks=asks)
            tables = ("channels", channel)
    return _keep(arguments, (name, said, tables), entry, asks=asks)


def _check(arguments: argparse.Namespace, *, asks: bool) -> None:
    """Raise WrongUsage for options that make no sense."""
    if not 0 < arguments.seconds <= _LONGEST_S:
        raise WrongUsage("--seconds lies between 0 and 3600")
    if arguments.wait is not None and not 0 < arguments.wait <= _LONGEST_S:
        raise WrongUsage("--wait lies between 0 and 3600")
    if not 0 <= arguments.meter_gain_percent < math.inf:
        raise WrongUsage("--meter-gain-percent must be a number and not below 0")
    if arguments.drop and (is_told(arguments) or arguments.channel):
        raise WrongUsage("--drop measures the rig: give it without --channel and its values")
    if not asks and not arguments.drop:
        if not is_told(arguments):
            raise WrongUsage("without a terminal give --zero, --point, --read, --thermistor-point or --set")
        if arguments.channel is None:
            raise WrongUsage("without a terminal give --channel NAME")


def _check_bench(path: Path) -> None:
    """Raise InputError where nothing could be kept in the end: before anybody measures for minutes."""
    from capture.bench_editing import BenchEditor

    BenchEditor(path)
    if path.exists() and not path.stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH):
        raise InputError(
            "is write-protected", str(path), "Allow writing (chmod u+w), or give another --bench."
        )


def _channel(arguments: argparse.Namespace, listening: ListeningLogger, *, asks: bool) -> str:
    """Return the column to calibrate, asked for where it was not given."""
    if arguments.channel is None and asks:
        return dialogue.ask_channel(listening, arguments.address)
    if arguments.channel not in listening.columns:
        known = ", ".join(listening.columns)
        raise InputError(f"has no channel {arguments.channel!r}", arguments.address, f"It has: {known}.")
    return str(arguments.channel)


def _keep(
    arguments: argparse.Namespace,
    names: tuple[str, str, tuple[str, ...]],
    entry: dict[str, Any],
    *,
    asks: bool,
) -> int:
    """Show what would be written, ask, and write it."""
    from capture.bench_editing import BenchEditor

    name, said, tables = names
    editor = BenchEditor(arguments.bench)
    editor.put(("loggers", name), {"name": said})
    # a channel's new calibration replaces the old one whole
    gone = dict.fromkeys(sorted(ALL_KEYS - entry.keys())) if tables[0] == "channels" else {}
    editor.put(("loggers", name, *tables), {**entry, **gone})
    where = ".".join(("loggers", name, *tables))
    for key, value in entry.items():
        say(f"  {key} = {value}")
    if asks and not arguments.yes:
        answer = dialogue.ask(f"Keep this in {arguments.bench} as [{where}]? [Y/n] ")
        if answer.lower() not in {"", "y", "yes"}:
            say("Nothing was kept.")
            return 0
    editor.write()
    if arguments.json:
        shown = {key: str(value) if key == "date" else value for key, value in entry.items()}
        print_json(
            {"bench": str(arguments.bench), "logger": name, tables[0].removesuffix("s"): tables[-1], **shown}
        )
    else:
        print_result(f"kept in {arguments.bench}: [{where}]")
    return 0
