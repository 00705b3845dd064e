"""What the result screen shows of a summary, as texts: figures, what people said, the run card. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from capture.quantities import UNIT_LABELS, Figure
from tui.formatting import MISSING, duration, number, plain, plus_minus
from tui.typed_values import CARD_FIELDS, shown_field
from tui.widgets.figure_cell import ShownFigure

if TYPE_CHECKING:
    from capture.folds.figures import RunFigures
    from capture.run_card import RunCard
    from capture.summary import Summary

_SECONDS_BELOW: Final = 600


def shown_figures(summary: Summary) -> list[ShownFigure]:
    """Return the figures in the order in which they are wanted; of rarer channels only what there is."""
    figures, document = summary.stated, summary.recording.document
    seconds = figures.duration_s
    long = number(seconds, 1) + " s" if seconds < _SECONDS_BELOW else duration(seconds)
    return [
        ShownFigure("duration", long, f"{seconds!r} s"),
        _figure("energy, net", figures.energy, 3),
        _figure("charge, net", figures.charge, 4),
        _figure("energy, returned", figures.energy_returned, 3),
        _figure("peak current", figures.peak_current, 1),
        _figure("peak power", figures.peak_power, 0),
        _figure("rest voltage", figures.rest_voltage, 2),
        _figure("minimum voltage", figures.minimum_voltage, 2),
        _figure("drop from rest", figures.drop_from_rest, 2),
        _counted("cuts", figures.cuts),
        *_of_rarer_channels(figures),
        _counted("samples", figures.samples),
        _counted("lost", document["lost_samples"], alarm=True),
        _counted("recovered", document.get("recovered_samples", 0)),
    ]


def about(card: RunCard) -> str:
    """Return what was done with what, in a line."""
    words = [card.kind, card.pack, card.tool, card.material]
    return plain(", ".join(word for word in words if word))


def told_rows(document: dict[str, Any]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the sections of what people said of the run: title, and rows of when and what.

    A section without rows says how rows come into it.
    """
    marks = [
        (_when(mark), f"{at}  {plain(mark['text'])}") for at, mark in enumerate(document["marks"], start=1)
    ]
    notes = [(_when(note), plain(note["text"])) for note in document.get("notes", [])]
    readings = [(_when(reading), _reading(reading)) for reading in document.get("readings", [])]
    return [
        ("Marks", marks or [("", "None. Press m while a run is being recorded.")]),
        ("Notes", notes or [("", "None. Press n to write one.")]),
        ("Readings of gauges", readings or [("", "None. Press e to enter what a gauge showed.")]),
    ]


def card_rows(document: dict[str, Any], card: RunCard) -> list[tuple[str, str]]:
    """Return the run card as rows of label and value, and what stood there before it was amended."""
    before = document.get("run_card_as_recorded", {})
    rows = []
    for field in CARD_FIELDS:
        value = shown_field(getattr(card, field.name))
        words = f"{value} {field.unit}".strip() if value else ""
        was = shown_field(before.get(field.name, getattr(card, field.name)))
        if was != value:
            words = f"{words or MISSING}   (recorded as {was or MISSING})"
        if words:
            rows.append((field.label, plain(words)))
    if card.repeats:
        rows.append(("repeats", plain(card.repeats)))
    if card.outcome is not None:
        reason = f": {card.outcome_reason}" if card.outcome_reason else ""
        rows.append(("outcome", plain(f"{card.outcome}{reason}")))
    return rows or [("", "Empty. Press k to fill it in.")]


def _of_rarer_channels(figures: RunFigures) -> list[ShownFigure]:
    speed, group, hottest = figures.speed, figures.lowest_group, figures.peak_temperature
    shown = []
    if speed is not None and speed.working_mean is not None:
        shown.append(_figure("speed in the cuts", Figure(speed.working_mean, None, "1/min"), 0))
        if speed.lowest_working is not None:
            shown.append(_figure("lowest speed", Figure(speed.lowest_working, None, "1/min"), 0))
    if group is not None:
        shown.append(_figure(f"lowest group ({group.group})", group.voltage, 3))
    if hottest is not None:
        shown.append(_figure("hottest", hottest, 1))
    return shown


def _figure(name: str, figure: Figure | None, decimals: int) -> ShownFigure:
    if figure is None:
        return ShownFigure(name, MISSING, f"{name}: cannot be told")
    label = UNIT_LABELS.get(figure.unit, figure.unit)
    precise = f"{plus_minus(figure.value, figure.u, decimals)} {label}" if figure.u else ""
    text = f"{number(figure.value, decimals)} {label}"
    return ShownFigure(name, text, f"{figure.value!r} {label}", precise=precise)


def _counted(name: str, count: int | None, *, alarm: bool = False) -> ShownFigure:
    if count is None:
        return ShownFigure(name, MISSING, f"{name}: cannot be told")
    return ShownFigure(name, f"{count:,}", str(count), alarm=alarm and count > 0)


def _when(entry: dict[str, Any]) -> str:
    if entry.get("after"):
        return "afterwards"
    return MISSING if entry["t_s"] is None else f"{number(entry['t_s'], 1)} s"


def _reading(reading: dict[str, Any]) -> str:
    step = reading.get("resolution")
    steps = f"   (steps of {step:.15g})" if step is not None else ""
    return plain(f"{reading['quantity']} {reading['value']:.15g} {reading['unit']}{steps}")
