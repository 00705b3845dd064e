"""The command `sagline`: finds the command asked for and loads only what it needs."""

from __future__ import annotations

import argparse
import os
import sys
from importlib import import_module
from typing import Final

#: Matrices here are small: with one thread for each processor the linear algebra of numpy is slower, and on a
#: busy machine many times slower. Must be said before numpy is imported; what the user said stays.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

#: Name of a command, its module, and its line in the help.
COMMANDS: Final = {
    "demo": ("demo", "the live screen on a virtual logger, without any hardware"),
    "record": ("record", "live screen and recording of a logger"),
    "find": ("find", "the loggers in reach and what they say of themselves"),
    "import": ("importing", "make a recording of a CSV file that another program wrote"),
    "summary": ("summary", "a recorded run in figures"),
    "cuts": ("cuts", "the stretches of work of a recorded run"),
    "resistance": ("resistance", "sag per ampere in all its definitions, from a recorded run"),
    "work": ("work", "what a pack did to the tool's work: power, rate, speed, and why speeds differ"),
    "curve": ("curve", "the open-circuit curve of a pack, learnt from its own runs"),
    "amend": ("amend", "add outcome, notes, readings, or mend the run card of a recorded run"),
    "calibrate": ("calibrate", "zero, span and scale of a channel, kept in the bench file"),
    "recalibrate": ("recalibrate", "a new recording with a mended constant of a channel"),
    "verify": ("verify", "how right the figures are, on fresh random runs of the built-in model"),
    "list": ("listing", "the recordings in a folder"),
    "recover": ("recover", "finish interrupted recordings"),
}

CAUTION: Final = (
    "Current, batteries and blades hurt people: fuse the leads, keep guards on, clamp work and tool, wear "
    "eye and ear protection, never defeat a pack's own protection. Local codes, the makers' manuals and "
    "licensed practice come first; this program is no safety device."
)


def build_parser(command: str | None) -> argparse.ArgumentParser:
    """Return the parser, with the arguments of `command` alone filled in."""
    parser = argparse.ArgumentParser(
        prog="sagline",
        description="Records a battery pack under a real tool and says what the pack did to the work. "
        "Without a command it opens the first screen: loggers in reach, and recordings.",
        epilog=CAUTION,
    )
    parser.add_argument(
        "--out",
        dest="first_folder",
        metavar="DIR",
        help="without a command: folder for recordings (./recordings)",
    )
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name, (module, line) in COMMANDS.items():
        subparser = commands.add_parser(name, help=line, description=line[0].upper() + line[1:] + ".")
        if name == command:
            import_module(f"tui.commands.{module}").add_arguments(subparser)
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; return the exit status: 0 done, 1 input or device at fault, 2 wrong usage."""
    given = sys.argv[1:] if arguments is None else arguments
    command = next((word for word in given if not word.startswith("-")), None)
    parser = build_parser(command)
    parsed = parser.parse_args(given)
    if parsed.version:
        from importlib.metadata import version

        print(f"sagline {version('sagline')}")
        return 0
    if parsed.command is None:
        if sys.stdout.isatty():
            return _run("first_screen", parsed)
        parser.print_help()
        return 0
    if parsed.first_folder is not None:
        parser.error(f"--out stands behind the command: sagline {parsed.command} --out DIR")
    return _run(COMMANDS[parsed.command][0], parsed)


def _run(module: str, parsed: argparse.Namespace) -> int:
    from capture.errors import CaptureError
    from tui.output import WrongUsage, say

    try:
        return int(import_module(f"tui.commands.{module}").run(parsed))
    except WrongUsage as error:
        say(f"sagline: {error}")
        return 2
    except CaptureError as error:
        say(f"sagline: {error}")
        return 1
    except KeyboardInterrupt:
        say("sagline: stopped")
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


if __name__ == "__main__":
    sys.exit(main())
