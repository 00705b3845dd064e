"""`sagline calibrate ADDRESS`: zero, span and scale of a channel, kept in the bench file."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from capture.bench import FILE_NAME
from capture.calibration.span import FittedSpan, KnownPoint, fit_span
from capture.errors import InputError
from tui.output import ProgressLine, WrongUsage, print_json, print_result, say
from tui.typed_values import typed_number

if TYPE_CHECKING:
    import argparse

    from capture.engine.averaging import Average, ListeningLogger

_KINDS: Final = ("gain", "shunt", "divider", "load_cell", "tachometer", "thermistor")
_CAUTION: Final = (
    "Current hurts: use a fused load within its rating, keep off bare terminals, let nothing get hot. Take "
    "the blade off before a tool turns for the tachometer. Local codes and the makers' manuals come first."
)
_HOW: Final = (
    "Known values are set one after the other, such as no current, 5 A and 20 A by a meter you trust; the "
    "line through them is kept with its uncertainties. One value alone is a zero. The gain of the meter "
    "itself (--meter-gain-percent) is the same in all and is never averaged away. What is typed and not "
    "measured (pulses, resistors, beta) is given as --set. "
) + _CAUTION


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.epilog = _HOW
    parser.add_argument("address", metavar="ADDRESS", help="the logger, such as serial:/dev/ttyACM0")
    parser.add_argument("--channel", metavar="NAME", help="the column, such as current_a")
    parser.add_argument("--zero", action="store_true", help="what is read now is zero: the first known value")
    parser.add_argument(
        "--point",
        action="append",
        default=[],
        metavar="VALUE[@U]",
        help="the value now, and its standard uncertainty; without a terminal one at most, beside --zero",
    )
    parser.add_argument(
        "--read",
        action="append",
        default=[],
        metavar="VALUE[@U]=READING[@U]",
        help="a known value and what the logger read there, measured before (again for more)",
    )
    parser.add_argument(
        "--meter-gain-percent", type=float, default=0.0, metavar="P", help="gain uncertainty of your meter"
    )
    parser.add_argument("--seconds", type=float, default=5.0, metavar="S", help="mean over S seconds (5)")
    parser.add_argument("--kind", choices=_KINDS, default="gain", help="what the channel is (gain)")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=NUMBER",
        help="a constant that is typed, such as pulses_per_rev=2, beta_k=3977, lever_arm_m=0.25",
    )
    parser.add_argument("--becomes", metavar="COLUMN", help="the column that its readings become")
    parser.add_argument("--reference", metavar="TEXT", help="what it was compared with")
    parser.add_argument("--logger", metavar="NAME", help="the logger's name in the bench file (bench)")
    parser.add_argument("--bench", type=Path, default=Path(FILE_NAME), metavar="FILE", help=f"./{FILE_NAME}")
    parser.add_argument("--yes", action="store_true", help="keep it without asking")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Calibrate one channel; return the exit status."""
    from capture.engine.averaging import ListeningLogger
    from capture.links.address import open_address

    if not 0 < arguments.seconds <= 3600:  # noqa: PLR2004  an hour is more than anybody waits
        raise WrongUsage("--seconds lies between 0 and 3600")
    if arguments.meter_gain_percent < 0:
        raise WrongUsage("--meter-gain-percent must not be below 0")
    asks = sys.stdin.isatty() and not arguments.json
    if not asks and not (arguments.zero or arguments.point or arguments.read or arguments.set):
        raise WrongUsage("without a terminal give --zero, --point, --read or --set")
    say(_CAUTION)
    with ListeningLogger(open_address(arguments.address)) as listening:
        channel = _channel(arguments, listening, asks=asks)
        points = _points(arguments, listening, channel, asks=asks)
        name = arguments.logger or "bench"
        said = listening.logger.identity.name
    entry = _entry(arguments, points)
    return _keep(arguments, (name, said, channel), entry, asks=asks)


def _channel(arguments: argparse.Namespace, listening: ListeningLogger, *, asks: bool) -> str:
    """Return the column to calibrate, asked for where it was not given."""
    if arguments.channel is None and asks:
        now = listening.averages(1.0)
        for number, column in enumerate(listening.columns, start=1):
            reading = f"{now[column].mean:.6g}" if column in now else "nothing"
            print_result(f"{number:3}  {column:28} reads {reading}")
        answer = input("Which channel? Its number: ").strip()
        if answer.isdigit() and 1 <= int(answer) <= len(listening.columns):
            return listening.columns[int(answer) - 1]
        raise InputError(f"has no channel {answer!r}", arguments.address, "Give one of the numbers.")
    if arguments.channel not in listening.columns:
        known = ", ".join(listening.columns)
        raise InputError(f"has no channel {arguments.channel!r}", arguments.address, f"It has: {known}.")
    return str(arguments.channel)


def _points(
    arguments: argparse.Namespace, listening: ListeningLogger, channel: str, *, asks: bool
) -> list[KnownPoint]:
    """Return the known values with what was read there: those given, then those that are asked for."""
    points = [_read_before(text) for text in arguments.read]
    given = (["0"] if arguments.zero else []) + arguments.point
    if len(given) > 1 and not asks:
        raise WrongUsage(
            "without a terminal the value cannot be changed in between: give the others as --read"
        )
    for text in given:
        if asks and len(given) > 1:
            input(f"Set {text}, wait until it is still, then Enter: ")
        points.append(_measured(arguments, listening, channel, text))
    if asks and not points and not arguments.set:
        print_result("Set a known value (0 with nothing connected first). Enter alone ends.")
        while text := input("Known value now [VALUE or VALUE@U]: ").strip():
            try:
                points.append(_measured(arguments, listening, channel, text))
            except InputError as error:
                say(f"{error}")
    return points


def _measured(
    arguments: argparse.Namespace, listening: ListeningLogger, channel: str, text: str
) -> KnownPoint:
    """Return a known value with the mean of the next seconds; raise InputError where it is not still."""
    value, u = _value_with_u(text)
    progress = ProgressLine(f"reading {channel}")
    found = listening.averages(
        arguments.seconds, lambda done: progress.update(round(100 * done), round(100 * arguments.seconds))
    ).get(channel)
    if found is None:
        raise InputError(f"gives no reading of {channel}", arguments.address, "Check that sensor.")
    if not found.is_still:
        raise InputError(
            f"does not hold still: {channel} drifts by {found.drift:.4g} in {found.seconds:g} s",
            arguments.address,
            "Wait until it is still, or take a longer mean with --seconds.",
        )
    say(_in_words(channel, value, found))
    return KnownPoint(value, found.mean, u, found.u)


def _in_words(channel: str, value: float, found: Average) -> str:
    return f"{channel} reads {found.mean:.6g} (u {found.u:.2g}) where {value:g} is known"


def _read_before(text: str) -> KnownPoint:
    known, sign, read = text.partition("=")
    if not sign:
        raise WrongUsage(f"--read wants VALUE[@U]=READING[@U], and got {text!r}")
    (value, u), (reading, u_reading) = _value_with_u(known), _value_with_u(read)
    return KnownPoint(value, reading, u, u_reading)


def _value_with_u(text: str) -> tuple[float, float]:
    """Return a value and its standard uncertainty from `20.0@0.05`."""
    value, _, u = text.partition("@")
    try:
        pair = typed_number(value), typed_number(u) if u else 0.0
    except ValueError as error:
        raise WrongUsage(f"{text!r}: {error}") from error
    if pair[1] < 0:
        raise WrongUsage(f"{text!r}: an uncertainty must not be below 0")
    return pair


def _entry(arguments: argparse.Namespace, points: list[KnownPoint]) -> dict[str, Any]:
    """Return what is written for the channel in the bench file."""
    entry: dict[str, Any] = {"kind": arguments.kind}
    for text in arguments.set:
        key, _, number = text.partition("=")
        entry[key.strip()] = _value_with_u(number)[0]
    if points:
        if arguments.kind != "gain":
            raise WrongUsage("known values set a gain; other kinds take their constants with --set")
        entry |= _line(arguments, points)
    elif not arguments.set:
        raise InputError("was told no known value", arguments.address, "Nothing is kept.")
    if arguments.becomes:
        entry["becomes"] = arguments.becomes
    entry["date"] = datetime.now().astimezone().date()
    if arguments.reference:
        entry["reference"] = arguments.reference
    return entry


def _line(arguments: argparse.Namespace, points: list[KnownPoint]) -> dict[str, Any]:
    try:
        found: FittedSpan = fit_span(points, reference_gain=arguments.meter_gain_percent / 100)
    except ValueError as error:
        raise InputError(f"cannot be calibrated: {error}", arguments.address, "Nothing is kept.") from error
    for point, left in zip(points, found.residuals, strict=True):
        say(f"  {point.reference:12g}   read {point.reading:12.6g}   left over {left:+.3g}")
    line = {"scale": found.scale, "offset": found.offset, "u_offset": found.u_offset}
    if len(points) == 1:
        say("  one known value is a zero: of the scale nothing is known but what is assumed of hobby sensors")
        return line
    return {**line, "u_scale": found.u_scale, "correlation": found.correlation}


def _keep(
    arguments: argparse.Namespace, names: tuple[str, str, str], entry: dict[str, Any], *, asks: bool
) -> int:
    """Show what would be written, ask, and write it."""
    from capture.bench_editing import BenchEditor

    name, said, channel = names
    editor = BenchEditor(arguments.bench)
    editor.put(("loggers", name), {"name": said})
    editor.put(("loggers", name, "channels", channel), dict.fromkeys(_REPLACED) | entry)
    for key, value in entry.items():
        say(f"  {key} = {value}")
    if asks and not arguments.yes:
        answer = input(f"Keep this in {arguments.bench} as [loggers.{name}.channels.{channel}]? [Y/n] ")
        if answer.strip().lower() not in {"", "y", "yes"}:
            say("Nothing was kept.")
            return 0
    editor.write()
    if arguments.json:
        shown = {key: str(value) if key == "date" else value for key, value in entry.items()}
        print_json({"bench": str(arguments.bench), "logger": name, "channel": channel, **shown})
    else:
        print_result(f"kept in {arguments.bench}: [loggers.{name}.channels.{channel}]")
    return 0


#: A new calibration replaces the old one whole.
_REPLACED: Final = (
    "kind", "scale", "offset", "u_scale", "u_gain_percent", "u_offset", "correlation", "date", "reference",
    "becomes", "shunt_mohm", "assumed_mohm", "r_top_ohm", "r_bottom_ohm", "tare", "lever_arm_m",
    "lever_angle_deg", "pulses_per_rev", "gear_ratio", "beta_k", "r25_ohm", "steinhart_hart", "pull_up_ohm",
)  # fmt: skip
