"""Forms that ask for one thing: a line of text, or what a gauge showed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.events import TypedReading
from tui.screens.typed_form import FormField, TypedForm
from tui.typed_values import FieldFault, typed_line, typed_reading

if TYPE_CHECKING:
    from collections.abc import Mapping

    from textual.widgets import Input

#: What gauges without an output often show, and the unit they mostly have.
COMMON_QUANTITIES: Final = {
    "torque": "N.m",
    "clamp force": "kN",
    "hydraulic pressure": "bar",
    "air pressure": "bar",
    "air speed": "m/s",
    "sound level": "dB",
    "temperature": "°C",
    "depth": "mm",
    "time": "s",
    "fastenings": "1",
}
COMMON_UNITS: Final = ("N.m", "N", "kN", "bar", "kPa", "m/s", "dB", "°C", "mm", "s", "g", "1")


class LineForm(TypedForm[str]):
    """Asks for one line; dismisses with it, stripped. `required`: an empty one is not taken."""

    def __init__(
        self, title: str, *, label: str = "text", initial: str = "", example: str = "", required: bool = True
    ) -> None:
        super().__init__(title, [FormField("line", label, initial=initial, example=example)])
        self._required = required

    def result_of(self, texts: Mapping[str, str]) -> str:
        """Return the line."""
        line = texts["line"].strip()
        if self._required and not line:
            raise FieldFault("line", "type a few words, or press Escape to leave it")
        try:
            return typed_line(line)
        except ValueError as error:
            raise FieldFault("line", str(error)) from error


class ReadingForm(TypedForm[TypedReading]):
    """Asks what a gauge showed; dismisses with it."""

    def __init__(self, title: str = "What did the gauge show?") -> None:
        super().__init__(
            title,
            [
                FormField("quantity", "quantity", example="torque", offered=tuple(COMMON_QUANTITIES)),
                FormField("value", "value", example="38.5"),
                FormField("unit", "unit", example="N.m; 1 for a count", offered=COMMON_UNITS),
                FormField("resolution", "smallest step", example="0.5; may stay empty"),
            ],
        )
        self._unit_filled_in = ""

    def on_input_changed(self, event: Input.Changed) -> None:
        """Fill in the common unit of a quantity, as long as nobody typed one."""
        if event.input is not self.input_of("quantity"):
            return
        unit = self.input_of("unit")
        common = COMMON_QUANTITIES.get(event.value.strip().lower(), "")
        if unit.value in {"", self._unit_filled_in}:
            unit.value = self._unit_filled_in = common

    def result_of(self, texts: Mapping[str, str]) -> TypedReading:
        """Return the reading; the first field that lacks is the fault."""
        return typed_reading(**texts)
