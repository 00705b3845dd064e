"""`sagline find`: the loggers in reach and what each says of itself."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from capture.links.finding import (
    ANSWER_WITHIN_S,
    NOT_ASKED,
    SERIAL,
    SOURCES,
    VIRTUAL,
    FoundLogger,
    find_loggers,
    virtual_loggers,
)
from tui.output import WrongUsage, print_json, print_result, say

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from capture.links.finding import Source

_LONGEST_WAIT_S: Final = 60.0
_EMPTY: Final = (
    "No logger answers. Plug one in and switch it on, then look again; "
    "a port that is not listed is asked with --port."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--port",
        action="append",
        default=[],
        metavar="PATH",
        help="ask this port and no other, also one that the system does not list; may be repeated",
    )
    parser.add_argument(
        "--seconds",
        type=float,
        default=ANSWER_WITHIN_S,
        metavar="S",
        help=f"how long a port may take to answer ({ANSWER_WITHIN_S:g})",
    )
    parser.add_argument("--virtual", action="store_true", help="ask the built-in virtual logger too")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Print what is in reach; return the exit status, 0 also where that is nothing."""
    if not (math.isfinite(arguments.seconds) and 0 < arguments.seconds <= _LONGEST_WAIT_S):
        raise WrongUsage(f"--seconds {arguments.seconds:g} is no time to wait; give 0 to {_LONGEST_WAIT_S:g}")
    if not arguments.json:
        say("looking for loggers ...")
    told = list(find_loggers(_sources(arguments), within_s=arguments.seconds))
    told.sort(key=lambda one: (one.kind == VIRTUAL, one.address))
    loggers = [one for one in told if not one.trouble]
    others = [one for one in told if one.trouble]
    if arguments.json:
        print_json({"loggers": [_entry(one) for one in loggers], "others": [_entry(one) for one in others]})
    else:
        _print(loggers, others)
    return 0


def _sources(arguments: argparse.Namespace) -> Sequence[Source]:
    """Return where to look: in the named ports alone, or wherever loggers may be."""
    named = [FoundLogger(f"{SERIAL}:{path}", SERIAL) for path in arguments.port]
    sources: list[Source] = (
        [lambda: named] if named else [one for one in SOURCES if one is not virtual_loggers]
    )
    return [*sources, virtual_loggers] if arguments.virtual else sources


def _entry(found: FoundLogger) -> dict[str, Any]:
    return asdict(found)


def _print(loggers: Sequence[FoundLogger], others: Sequence[FoundLogger]) -> None:
    """Print each logger on two lines, then what is none or did not say so."""
    width = max((len(one.address) for one in [*loggers, *others]), default=0)
    for one in loggers:
        about = f"  ({one.port})" if one.port else ""
        print_result(f"{one.address:{width}}  {one.name}, firmware {one.firmware or '-'}{about}")
        print_result(f"{'':{width}}  {len(one.channels)} channels: {', '.join(one.channels)}")
    for one in others:
        opens = f"; open it with: sagline record {one.address}" if one.trouble == NOT_ASKED else ""
        print_result(f"{one.address:{width}}  - {one.trouble}{opens}")
    if not loggers:
        print_result(_EMPTY)
    if not any(one.kind == VIRTUAL for one in loggers):
        print_result("The virtual logger needs no hardware: sagline demo")
