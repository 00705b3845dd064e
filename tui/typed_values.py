"""What people type, as values: numbers, fields of a run card, readings of gauges. Pure.

What is wrong is a ValueError with a few words that fit behind the name of the field.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from capture.events import TypedReading
from capture.run_card import checked_field, checked_number, checked_text

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from capture.run_card import RunCard

_STEP: Final = re.compile(r"\s/\s*(\S+)$")


class FieldFault(ValueError):  # noqa: N818  the name says what it is
    """What is wrong in the field `name`, in words that fit behind its label."""

    def __init__(self, name: str, words: str) -> None:
        super().__init__(words)
        self.name = name


@dataclass(frozen=True, slots=True)
class CardField:
    """A field of the run card as it is typed: its name there, its label, its unit and an example."""

    name: str
    label: str
    unit: str = ""
    example: str = ""


#: In the order in which a person fills them in.
CARD_FIELDS: Final = (
    CardField("kind", "kind of run", example="timed cut"),
    CardField("pack", "pack", example="heron"),
    CardField("tool", "tool", example="polesaw"),
    CardField("setting", "setting", example="gear 2"),
    CardField("accessory", "accessory", example="chain 3, 41st use"),
    CardField("material", "material", example="seasoned ash"),
    CardField("section_mm2", "section", "mm²", "1800"),
    CardField("fasteners", "fasteners driven", example="24"),
    CardField("piston_area_mm2", "piston area", "mm²", "491"),
    CardField("force_threshold_n", "force threshold", "N", "20000"),
    CardField("ambient_degc", "ambient", "°C", "21.5"),
    CardField("wiring", "wiring", example="sensed at the pack, 6 mm² leads"),
    CardField("note", "note"),
    CardField("tool_kind", "kind of tool", example="saw, drill, impact, press"),
    CardField("regulated", "speed regulated", example="yes or no"),
    CardField("current_limit_a", "current clamp", "A", "40"),
    CardField("no_load_speed_rpm", "stated no-load rpm", "rpm", "4200"),
    CardField("pulses_per_rev", "pulses a turn", example="2"),
    CardField("series", "groups in series", example="10"),
    CardField("capacity_ah", "rated capacity", "Ah", "5"),
    CardField("chemistry", "chemistry", example="nmc"),
    CardField("cutoff_v", "cut-off", "V", "28"),
    CardField("max_current_a", "highest current", "A", "60"),
    CardField("max_temperature_degc", "highest temperature", "°C", "70"),
)
#: What belongs to a pack and has to be looked at again when another one is put on.
OF_THE_PACK: Final = frozenset(
    {"series", "capacity_ah", "chemistry", "cutoff_v", "max_current_a", "max_temperature_degc"}
)
#: What belongs to a tool, likewise.
OF_THE_TOOL: Final = frozenset(
    {"tool_kind", "regulated", "current_limit_a", "no_load_speed_rpm", "pulses_per_rev", "piston_area_mm2"}
)
_WHOLE: Final = frozenset({"series", "fasteners"})
_NUMBERS: Final = (
    OF_THE_PACK - {"chemistry"}
    | {"section_mm2", "ambient_degc", "piston_area_mm2", "force_threshold_n"}
    | {"current_limit_a", "no_load_speed_rpm", "pulses_per_rev"}
    | _WHOLE
)
_ANSWERS: Final = {"yes": True, "y": True, "true": True, "no": False, "n": False, "false": False}


def typed_number(text: str) -> float:
    """Return the number that was typed."""
    if "," in text:
        raise ValueError("has a comma; type the decimal point as a point, and no separators")
    try:
        value = float(text.strip())
    except ValueError:
        raise ValueError(f"{text.strip()[:20]!r} is not a number") from None
    return checked_number(value)


def typed_field(name: str, text: str) -> Any:
    """Return what was typed into a field of the run card as the card holds it; empty is not known."""
    text = text.strip()
    if name == "regulated" and text:
        return checked_field(name, _ANSWERS.get(text.lower(), text))
    if name not in _NUMBERS or not text:
        return checked_field(name, text)
    value = typed_number(text)
    return checked_field(name, int(value) if name in _WHOLE and value.is_integer() else value)


def shown_field(value: object) -> str:
    """Return a field of the run card as it is typed."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    return "" if value is None else str(value)


def typed_line(text: str) -> str:
    """Return a line of text as any file can hold it."""
    return checked_text(text.strip())


def typed_card(texts: Mapping[str, str], card: RunCard) -> RunCard:
    """Return `card` with the fields that were typed; raise FieldFault for the first that cannot stand."""
    return replace(card, **{name: _in_field(name, typed_field, name, text) for name, text in texts.items()})


def typed_reading(quantity: str, value: str, unit: str, resolution: str = "") -> TypedReading:
    """Return the reading of a gauge from its four fields; raise FieldFault. The resolution may be empty."""
    for name, text, words in (
        ("quantity", quantity, "what was read? Type it, such as torque"),
        ("value", value, "how much was it?"),
        ("unit", unit, "in which unit? Type it as the gauge has it, such as bar; 1 for a count"),
    ):
        if not text.strip():
            raise FieldFault(name, words)
    return TypedReading(
        _in_field("quantity", typed_line, quantity),
        _in_field("value", typed_number, value),
        _in_field("unit", typed_line, unit),
        _in_field("resolution", _step, resolution) if resolution.strip() else None,
    )


def reading_in_words(text: str) -> TypedReading:
    """Return the reading in a text such as `torque=38.5 N.m` or `pressure=6.2 bar /0.1` (its resolution)."""
    quantity, _, rest = text.partition("=")
    step = _STEP.search(rest)
    value, _, unit = (rest[: step.start()] if step else rest).strip().partition(" ")
    return typed_reading(quantity, value, unit, step[1] if step else "")


def _step(text: str) -> float:
    return checked_number(typed_number(text), above=0.0)


def _in_field(name: str, typed: Callable[..., Any], *texts: str) -> Any:
    try:
        return typed(*texts)
    except ValueError as error:
        raise FieldFault(name, str(error)) from error
