"""What a person is told and asked when a channel is calibrated, by kind; words only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

GENERAL_CAUTION: Final = "Local codes and the makers' manuals come first."
CURRENT_CAUTION: Final = (
    "Current hurts: use a fused load within its rating, keep off bare terminals, let nothing get hot."
)
BLADE_CAUTION: Final = "Take the blade off before a tool turns for the tachometer."


@dataclass(frozen=True, slots=True)
class Question:
    """A constant that is typed: its key in the bench file, what is asked, and whether it must be known."""

    key: str
    words: str
    needed: bool = False


@dataclass(frozen=True, slots=True)
class Guide:
    """One kind of channel: what it is, what to connect, what may hurt, what to type, what to set and read.

    `known` is the unit or name of the known values, empty where there are none to set.
    """

    what: str
    steps: tuple[str, ...]
    caution: str = ""
    questions: tuple[Question, ...] = ()
    known: str = ""


GUIDES: Final = {
    "gain": Guide(
        "scale and offset, by known values",
        (
            "Connect nothing: the zero comes first, with the leads in place and no current through them.",
            (
                "Then set known values over your range, such as a third and all of it, and read your meter "
                "at each. Two make a line, more show whether it is one."
            ),
        ),
        CURRENT_CAUTION,
        known="value",
    ),
    "shunt": Guide(
        "a shunt whose resistance is known",
        ("Take the resistance from four wires, or from its rating: rated voltage over rated current.",),
        CURRENT_CAUTION,
        (
            Question("shunt_mohm", "The shunt's true resistance in mΩ", needed=True),
            Question(
                "assumed_mohm",
                "The resistance in mΩ with which the logger computes its current (Enter: it sends volts)",
            ),
        ),
    ),
    "divider": Guide(
        "a voltage divider whose resistors are known",
        ("Measure both resistors with nothing connected to them.",),
        "",
        (
            Question("r_top_ohm", "Resistor to the pack in Ω", needed=True),
            Question("r_bottom_ohm", "Resistor to ground in Ω", needed=True),
        ),
    ),
    "load_cell": Guide(
        "a load cell: tare, known weights, lever arm",
        (
            "Mount the arm and all that hangs there always, without load: that is the tare, 0.",
            "Then hang known weights at the place where the force will act; type N, or kg such as 5kg+-0.01.",
        ),
        "Nobody stands under a weight; secure it against falling.",
        (
            Question("lever_arm_m", "Lever arm in m, from the axis to the cell (Enter: it reads force)"),
            Question("lever_angle_deg", "Degrees by which the force is off the right angle (Enter: 0)"),
        ),
        "force in N",
    ),
    "tachometer": Guide(
        "a tachometer: pulses per turn and gear",
        (
            (
                "Count the marks or magnets that pass in one turn; a doubled or halved count shows against "
                "the no-load speed on the tool's plate."
            ),
        ),
        BLADE_CAUTION,
        (
            Question("pulses_per_rev", "Pulses in one turn", needed=True),
            Question("gear_ratio", "Turns where it is counted for one turn that is reported (Enter: 1)"),
        ),
    ),
    "thermistor": Guide(
        "a thermistor: beta, Steinhart-Hart, or known temperatures",
        (
            (
                "By data sheet: beta and the resistance at 25 °C. Else lay sensor and thermometer together "
                "in stirred water: two temperatures make a beta, three or more Steinhart-Hart."
            ),
        ),
        "Keep water away from the pack and the logger's board.",
        (
            Question("pull_up_ohm", "Series resistor to the supply in Ω (Enter: the channel is in Ω)"),
            Question("supply", "What the channel reads with the whole supply on it (Enter: 1)"),
            Question("beta_k", "Beta in K (Enter: by known temperatures)"),
            Question("r25_ohm", "Resistance at 25 °C in Ω"),
        ),
        "temperature in °C",
    ),
}
_LIKELY: Final = (
    (("_rpm", "_hz"), "tachometer"),
    (("temperature_ohm", "temperature_v", "temperature_count", "temperature_percent"), "thermistor"),
    (("_n", "_nm", "_kg"), "load_cell"),
)


def likely_kind(column: str) -> str:
    """Return the kind that a column most likely is."""
    if column.startswith(("force", "torque")):
        return "load_cell"
    return next((kind for endings, kind in _LIKELY if column.endswith(endings)), "gain")
