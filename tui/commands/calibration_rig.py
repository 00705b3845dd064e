"""What `sagline calibrate` takes from the bench file, a kept scale, and what it measures of the rig."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.bench import Bench, read_bench
from capture.calibration.kinds import constants_of
from capture.calibration.laws import Line
from capture.calibration.leads import resistor_of_drop
from capture.calibration.written import RIG_PARTS
from capture.errors import InputError
from capture.uncertainty.electrical import level_u
from capture.uncertainty.known import known_of
from tui.commands.calibration_dialogue import Reading, steady
from tui.known_values import Known, known_value
from tui.output import WrongUsage, say

if TYPE_CHECKING:
    import argparse

    from capture.engine.averaging import ListeningLogger

CURRENT = "current_a"


def kept_span(arguments: argparse.Namespace, channel: str) -> tuple[str, dict[str, Any], dict[str, float]]:
    """Return kind, constants and uncertainties of a channel as the bench file has them, but its zero."""
    bench = read_bench(arguments.bench) if arguments.bench.exists() else Bench()
    logger = bench.loggers.get(arguments.logger or "bench")
    known = None if logger is None else logger.calibrations.get(channel)
    if known is None or known.kind not in {"gain", "load_cell"} or not isinstance(known.law, Line):
        raise InputError(
            f"has no scale of {channel} to keep",
            str(arguments.bench),
            "Leave --keep-scale out, or set a scale.",
        )
    constants = constants_of(known)
    kept = {key: value for key, value in constants.items() if key not in {"offset", "tare"}}
    if known.u_scale is None:
        return known.kind, kept, {}
    return known.kind, kept, {"scale": known.u_scale * abs(constants["scale"] / known.law.scale)}


def rig_entry(arguments: argparse.Namespace, listening: ListeningLogger, reading: Reading) -> dict[str, Any]:
    """Return the measured parts of the rig as the bench file has them; the current is the logger's own.

    Its calibration in the bench file counts, else what is assumed of one that nobody calibrated.
    """
    drops = [_drop(text) for text in arguments.drop]
    if CURRENT not in listening.columns:
        raise InputError(
            f"has no channel {CURRENT!r}", arguments.address, "A drop needs the current beside it."
        )
    found = steady(listening, CURRENT, reading, arguments.address)
    bench = read_bench(arguments.bench) if arguments.bench.exists() else Bench()
    logger = bench.loggers.get(arguments.logger or "bench")
    calibration = None if logger is None else logger.calibrations.get(CURRENT)
    current, u_read = found.mean, found.u
    if calibration is not None:
        current = float(calibration.law.of(np.array([current]))[0])
        u_read *= calibration.law.sensitivity
    known = known_of(CURRENT, None if calibration is None else calibration.as_json())
    u = u_read if known is None else level_u(known, current, u_read)
    entry: dict[str, Any] = {}
    for part, drop in drops:
        try:
            part_of_rig = resistor_of_drop(part, (drop.value, drop.u), (current, u))
        except ValueError as error:
            raise InputError(f"{part} {error}", arguments.address, "Nothing is kept.") from error
        mohm, u_mohm = part_of_rig.ohm * 1e3, part_of_rig.u_ohm * 1e3
        say(f"  {part}: {mohm:.4g} mΩ, u {u_mohm:.2g} mΩ, at {current:.4g} A (u {u:.2g})")
        entry |= {f"{part}_mohm": mohm, f"{part}_u_mohm": u_mohm}
    entry["date"] = datetime.now().astimezone().date()
    return {**entry, "reference": arguments.reference} if arguments.reference else entry


def _drop(text: str) -> tuple[str, Known]:
    part, sign, volts = text.partition("=")
    if not sign or part not in RIG_PARTS:
        raise WrongUsage(f"--drop wants PART=VOLT with one of {', '.join(RIG_PARTS)}, and got {text!r}")
    return part, known_value(volts)
