"""The option of the commands that take readings of a logger: whose calibrations count."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from capture.bench import Bench


def add_logger_argument(parser: argparse.ArgumentParser) -> None:
    """Add the logger as the bench file calls it."""
    parser.add_argument(
        "--logger",
        metavar="NAME",
        help="the logger in the bench file whose calibrations count (as it calls itself, else the only one)",
    )


def check_logger(bench: Bench, given: str | None) -> None:
    """Raise InputError where the bench file does not know the logger that was given."""
    if given is not None:
        bench.logger("", given)
