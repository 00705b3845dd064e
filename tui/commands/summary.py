"""`sagline summary REC`: a recorded run in figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from capture.quantities import UNIT_LABELS, Figure
from tui.commands.reading import add_recording_argument, read_summary
from tui.formatting import COVERAGE_MEANS, plus_minus
from tui.output import print_json, print_result

if TYPE_CHECKING:
    import argparse

    from capture.folds.figures import RunFigures
    from capture.rig_burden import Burden
    from capture.summary import Summary

_MANY_GROUPS: Final = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    add_recording_argument(parser)


def run(arguments: argparse.Namespace) -> int:
    """Print the summary; return the exit status."""
    summary = read_summary(arguments.recording)
    if arguments.json:
        print_json(summary.as_json())
    else:
        _print(summary)
    return 0


def _print(summary: Summary) -> None:
    from capture.rig_burden import rig_burden

    figures, document = summary.stated, summary.recording.document
    card = document["run_card"]
    about = ", ".join(str(card[key]) for key in ("kind", "pack", "tool") if card.get(key))
    print_result(f"{summary.recording.path.name}   {about}")
    _line("duration", f"{figures.duration_s:10.3f} s")
    recovered = document.get("recovered_samples", 0)
    late = f", {recovered} recovered" if recovered else ""
    _line("samples", f"{figures.samples:10d}   {document['lost_samples']} lost{late}")
    for name, figure, decimals in _always(figures):
        _line(name, "cannot tell" if figure is None else _value(figure, decimals))
    burden = rig_burden(document, figures, summary.known)
    if burden is not None:
        _line("energy at the pack", _value(burden.at_pack, 4))
        _line("energy at the tool", _value(burden.at_tool, 4))
        _line("rig", _rig(burden))
    _line("cuts", "cannot tell" if figures.cuts is None else f"{figures.cuts:10d}")
    _channels(summary)
    print_result(f"  {COVERAGE_MEANS}")
    _calibrations(document)
    for mark in document["marks"]:
        at = "?" if mark["t_s"] is None else f"{mark['t_s']:.3f}"
        _line("mark", f"{at:>10} s {mark['text']}")
    for note in document.get("notes", []):
        _line("note", note["text"])
    for reading in document.get("readings", []):
        at = "after" if reading["t_s"] is None else f"{reading['t_s']:.3f} s"
        _line("reading", f"{at:>12} {reading['quantity']} {reading['value']:.15g} {reading['unit']}")
    if card.get("outcome"):
        _line("outcome", ": ".join(filter(None, [card["outcome"], card.get("outcome_reason", "")])))
    for warning in summary.warnings:
        print_result(f"  ! {warning}")


def _always(figures: RunFigures) -> list[tuple[str, Figure | None, int]]:
    """Return the figures that every run should have, with their decimals."""
    return [
        ("energy, net", figures.energy, 4),
        ("energy, returned", figures.energy_returned, 4),
        ("charge, net", figures.charge, 4),
        ("peak current", figures.peak_current, 2),
        ("peak power", figures.peak_power, 1),
        ("rest voltage", figures.rest_voltage, 3),
        ("minimum voltage", figures.minimum_voltage, 3),
        ("drop from rest", figures.drop_from_rest, 3),
    ]


def _channels(summary: Summary) -> None:
    """Print what only loggers with more channels can tell."""
    from capture.folds.speed import SPEED

    figures, known = summary.stated, summary.known
    speed, group = figures.speed, figures.lowest_group
    if speed is not None and speed.working_mean is not None:
        lowest = "" if speed.lowest_working is None else f"   lowest {speed.lowest_working:.0f}"
        u = known.of_channel(SPEED, speed.working_mean, known.readings(SPEED, figures.duration_s))
        _line("speed in the cuts", f"{_value(Figure(speed.working_mean, u, 'rpm'), 0)}{lowest}")
    if group is not None:
        _line("lowest group", f"{_value(group.voltage, 3)}   group {group.group}")
    if figures.peak_temperature is not None:
        _line("hottest", _value(figures.peak_temperature, 1))


def _calibrations(document: dict[str, Any]) -> None:
    """Print which channels were calibrated, when and against what, and in one line which were not."""
    from capture.calibration.told import calibrations_of, not_calibrated

    for told in calibrations_of(document):
        about = [told["column"], told["kind"].replace("_", " "), told["date"], told["reference"]]
        words = ", ".join(filter(None, about))
        if told["u_scale"] is None and told["u_offset"] is None:
            words += ", its uncertainty not known"
        for mended in told["mended"]:
            old, new = mended["from"], mended["to"]
            words += f"; mended from {_changed(old, new)} to {_changed(new, old)}"
        _line("calibrated", words)
    for mended in document.get("recalibrated", []):
        if mended["column"] is None:
            old, new = mended["from"], mended["to"]
            _line("rig", f"mended from {_changed(old, new)} to {_changed(new, old)}")
    if missing := not_calibrated(document):
        _line("not calibrated", ", ".join(_without_groups(missing)))


def _without_groups(columns: list[str]) -> list[str]:
    """Return columns with those of many groups as one word."""
    groups = [column for column in columns if column.startswith("group_")]
    if len(groups) < _MANY_GROUPS:
        return columns
    others = [column for column in columns if column not in groups]
    return [*others, f"{groups[0]} to {groups[-1]}"]


def _changed(values: dict[str, Any], others: dict[str, Any]) -> str:
    """Return the constants that are not the same among the others, all where none differs."""
    changed = {key: value for key, value in values.items() if others.get(key) != value} or values
    return " ".join(
        f"{key}={value:.6g}" if isinstance(value, float) else f"{key}={value}"
        for key, value in changed.items()
    )


def _rig(burden: Burden) -> str:
    """Return the resistance of the rig, what it drops at the peak current, and what it is made of."""
    whole = burden.resistance
    value = _value(Figure(whole.value * 1e3, whole.u and whole.u * 1e3, "mΩ"), 2)
    drop = "" if burden.drop is None else f"   drops {burden.drop.value:.2f} V at the peak"
    parts = ", ".join(f"{name} {part.value * 1e3:.2f}" for name, part in burden.parts.items())
    return f"{value}{drop} ({parts})"


def _value(figure: Figure, decimals: int) -> str:
    """Return value and uncertainty with the unit; values stand one below the other, to the sign between."""
    value, _, expanded = plus_minus(figure.value, figure.u, decimals).partition(" ± ")
    behind = f" ± {expanded}" if expanded else ""
    return f"{value:>10}{behind} {UNIT_LABELS.get(figure.unit, figure.unit)}"


def _line(name: str, value: str) -> None:
    print_result(f"  {name:18} {value}")
