"""What the options and answers of `sagline calibrate` make: the entry of one channel in the bench file."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from capture.calibration.fitting import (
    FITTED_KINDS,
    Entry,
    Typed,
    line_entry,
    ohm_point,
    thermistor_entry,
    typed_entry,
)
from capture.calibration.kinds import read_calibration
from capture.calibration.span import KnownPoint
from capture.calibration.thermistor_points import ThermistorPoint
from capture.errors import InputError
from capture.units import STANDARD_GRAVITY
from tui.commands import calibration_dialogue as dialogue
from tui.commands.calibration_rig import kept_span
from tui.known_values import Known, known_pair, known_value, typed_constants
from tui.output import WrongUsage, say, say_prose

if TYPE_CHECKING:
    import argparse

    from capture.engine.averaging import ListeningLogger

#: How long a terminal waits for a reading that holds still.
PATIENCE_S: Final = 60.0
_MAKES_A_LINE: Final = 2
#: Standard gravity stands for the local one, 9.780 to 9.832 m/s2 over the world (from memory): a rectangle.
_GRAVITY_GAIN: Final = 0.0016


def is_told(arguments: argparse.Namespace) -> bool:
    """Return whether any value or constant is given by an option."""
    given = (arguments.point, arguments.read, arguments.thermistor_point, arguments.set)
    return bool(arguments.zero or any(given))


def reading_of(arguments: argparse.Namespace, *, asks: bool) -> dialogue.Reading:
    """Return how readings are taken: at a terminal they are waited for."""
    patience_s = arguments.wait if arguments.wait is not None or not asks else PATIENCE_S
    return dialogue.Reading(arguments.seconds, patience_s)


class _KnownPoints:
    """The known values of one channel with what was read there, in the order in which they were given."""

    def __init__(
        self,
        listening: ListeningLogger,
        channel: str,
        kind: str,
        reading: dialogue.Reading,
        where: str,
    ) -> None:
        self.points: list[KnownPoint] = []
        self.shared_gain = 0.0
        self._listening, self._channel, self._kind = listening, channel, kind
        self._reading, self._where = reading, where

    def take(self, text: str) -> None:
        """Take a value that is set now; raise InputError where the channel does not hold still."""
        known = self._known(text)
        found = dialogue.steady(self._listening, self._channel, self._reading, self._where)
        at = f"{self._channel} reads {found.mean:.6g} (u {found.u:.2g}, noise {found.noise:.2g})"
        say(f"{at} where {known.value:g} is known")
        self.points.append(KnownPoint(known.value, found.mean, known.u, found.u))

    def take_read(self, text: str) -> None:
        """Take a value and what was read there, measured before."""
        value, sign, read = text.partition("=")
        if not sign:
            raise WrongUsage(f"--read wants VALUE[+-U]=READING[+-U], and got {text!r}")
        known, at = self._known(value), known_value(read)
        self.points.append(KnownPoint(known.value, at.value, known.u, at.u))

    def _known(self, text: str) -> Known:
        """Return a known value; of a load cell one in kg is the weight of that mass, in N."""
        bare = text.replace(" ", "")
        if self._kind not in FITTED_KINDS:
            raise WrongUsage(
                "known values set a gain, a load cell or a thermistor; other kinds take constants with --set"
            )
        if self._kind != "load_cell" or "kg" not in bare:
            return known_value(text)
        self.shared_gain = _GRAVITY_GAIN
        mass = known_value(bare.replace("kg", ""))
        return Known(mass.value * STANDARD_GRAVITY, mass.u * STANDARD_GRAVITY)


def channel_entry(
    arguments: argparse.Namespace, listening: ListeningLogger, channel: str, *, asks: bool
) -> dict[str, Any]:
    """Return what is written for the channel in the bench file."""
    guided = asks and not is_told(arguments)
    kind = arguments.kind or (dialogue.ask_kind(channel) if guided else "gain")
    constants, us, kind = _typed(arguments, channel, kind, guided=guided)
    known = _KnownPoints(listening, channel, kind, reading_of(arguments, asks=asks), str(arguments.address))
    _take_given(arguments, known, asks=asks)
    if guided and dialogue.wants_points(kind, constants):
        dialogue.ask_points(known.take, channel, kind)
    if not known.points and not constants and not arguments.thermistor_point:
        raise InputError("was told no known value", arguments.address, "Nothing is kept.")
    typed = Typed(constants, us, math.hypot(arguments.meter_gain_percent / 100, known.shared_gain))
    try:
        found = _found(arguments, channel, kind, typed, known.points)
    except ValueError as error:
        raise InputError(
            f"{channel} cannot be calibrated: {error}", arguments.address, "Nothing is kept."
        ) from error
    _say_residuals(kind, known.points, found)
    reference = arguments.reference
    if guided and not reference:
        reference = dialogue.ask("Compared with what (Enter: not said): ")
    entry = {"kind": kind, **{key: _written(value) for key, value in found.values.items()}}
    if arguments.becomes:
        entry["becomes"] = arguments.becomes
    entry["date"] = datetime.now().astimezone().date()
    return {**entry, "reference": reference} if reference else entry


def _written(value: Any) -> Any:
    """Return a number in as many digits as any meter could justify, and some for the arithmetic."""
    if isinstance(value, list):
        return [_written(one) for one in value]
    return float(f"{value:.9g}") if isinstance(value, float) else value


def _typed(
    arguments: argparse.Namespace, channel: str, kind: str, *, guided: bool
) -> tuple[dict[str, Any], dict[str, float], str]:
    """Return the constants that are typed, asked for where nothing was given, their u, and the kind."""
    constants, us = typed_constants(arguments.set)
    if guided:
        dialogue.tell(channel, kind)
        told, told_us = typed_constants(dialogue.ask_constants(channel, kind, constants))
        constants, us = {**constants, **told}, {**us, **told_us}
    if arguments.keep_scale:
        kind, kept, kept_us = kept_span(arguments, channel)
        constants, us = {**kept, **constants}, {**kept_us, **us}
    return constants, us, kind


def _take_given(arguments: argparse.Namespace, known: _KnownPoints, *, asks: bool) -> None:
    """Take the known values that the options give."""
    for text in arguments.read:
        known.take_read(text)
    given = (["0"] if arguments.zero else []) + arguments.point
    if len(given) > 1 and not asks:
        raise WrongUsage(
            "without a terminal the value cannot be changed in between: give the others as --read"
        )
    for text in given:
        if len(given) > 1:
            dialogue.ask(f"Set {text}, wait until it is still, then Enter: ")
        known.take(text)


def _found(
    arguments: argparse.Namespace, channel: str, kind: str, typed: Typed, points: list[KnownPoint]
) -> Entry:
    """Return what the values make; raise ValueError where they make nothing."""
    pairs = [
        known_pair("--thermistor-point", "DEGC[+-U]=OHM[+-U]", text) for text in arguments.thermistor_point
    ]
    if pairs and kind != "thermistor":
        raise WrongUsage("--thermistor-point belongs to --kind thermistor")
    if kind == "thermistor" and (points or pairs):
        known = [ThermistorPoint(degc.value, ohm.value, degc.u, ohm.u) for degc, ohm in pairs]
        found = thermistor_entry(
            channel, typed, known + [ohm_point(channel, typed, point) for point in points]
        )
    elif points:
        found = line_entry(channel, kind, typed, points)
    else:
        found = typed_entry(channel, kind, typed)
    becomes = {"becomes": arguments.becomes} if arguments.becomes else {}
    read_calibration(channel, {"kind": kind, **found.values, **becomes})
    return found


def _say_residuals(kind: str, points: list[KnownPoint], found: Entry) -> None:
    """Say what each known value leaves, and what one alone does not tell."""
    if len(points) == len(found.residuals):
        for point, left in zip(points, found.residuals, strict=True):
            fitted = f"   left over {left:+.3g}" if len(points) > _MAKES_A_LINE else ""
            say(f"  {point.reference:12g}   read {point.reading:12.6g}{fitted}")
    if len(points) == 1 and kind != "thermistor" and "u_scale" not in found.values:
        say_prose(
            "  one known value is a zero: of the scale nothing is known but what is assumed of hobby sensors"
        )
