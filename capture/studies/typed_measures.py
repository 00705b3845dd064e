"""Readings that a person typed from gauges, as measures of the work.

Readings of one quantity are repeats: their mean counts, with the scatter of the mean and one step of the
gauge as a rectangle (GUM 4.3.7). What the gauge itself is wrong by nobody has said, and is not in u.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from capture.quantities import M2_PER_MM2, Figure
from capture.uncertainty.gum import quantisation
from capture.units import unit_scale

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


@dataclass(frozen=True, slots=True)
class TypedMeasure:
    """The mean of `readings` readings of a quantity; `cuts` are the numbers of the cuts they belong to.

    None in `cuts` is a reading that was typed before the first cut or after the run.
    """

    quantity: str
    figure: Figure
    readings: int
    cuts: tuple[int | None, ...]

    def as_json(self) -> dict[str, Any]:
        """Return it as the command line prints it."""
        return {
            "quantity": self.quantity,
            "figure": self.figure.as_json(),
            "readings": self.readings,
            "cuts": list(self.cuts),
        }


def typed_measures(
    readings: Sequence[Mapping[str, Any]], cut_starts_s: Sequence[float], piston_area_mm2: float | None = None
) -> tuple[TypedMeasure, ...]:
    """Return the measures of a document's `readings`, in the order in which their quantities came up.

    A reading belongs to the last cut that had begun when it was typed. Units of the same kind are made one,
    the first that was typed. With a piston's area a pressure also gives its force.
    """
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for reading in readings:
        scale = unit_scale(reading["unit"])
        kind = reading["unit"].strip() if scale is None else scale.unit
        groups.setdefault((reading["quantity"].strip().casefold(), kind), []).append(reading)
    measures: list[TypedMeasure] = []
    for (_, kind), members in groups.items():
        measure = _mean(members, cut_starts_s)
        measures.append(measure)
        if kind == "Pa" and piston_area_mm2 is not None:
            measures.append(_force(measure, piston_area_mm2))
    return tuple(measures)


def _mean(members: Sequence[Mapping[str, Any]], cut_starts_s: Sequence[float]) -> TypedMeasure:
    first = members[0]
    unit = first["unit"].strip()
    values = [_in_unit(reading["value"], reading["unit"], unit) for reading in members]
    steps = [
        abs(_in_unit(step, reading["unit"], unit) - _in_unit(0.0, reading["unit"], unit))
        for reading in members
        if (step := reading.get("resolution")) is not None
    ]
    cuts = tuple(_cut_of(reading.get("t_s"), cut_starts_s) for reading in members)
    figure = Figure(statistics.fmean(values), _u(values, max(steps, default=None)), unit)
    return TypedMeasure(first["quantity"].strip(), figure, len(members), cuts)


def _u(values: Sequence[float], step: float | None) -> float | None:
    """Return u of the mean; None where nothing tells it: equal readings of a gauge whose step nobody told."""
    of_step = 0.0 if step is None else quantisation(step)
    scatter = statistics.stdev(values) / len(values) ** 0.5 if len(values) > 1 else 0.0
    return math.hypot(scatter, of_step) or None


def _in_unit(value: float, unit: str, wanted: str) -> float:
    given, target = unit_scale(unit), unit_scale(wanted)
    if given is None or target is None:
        return value
    return (value * given.factor + given.offset - target.offset) / target.factor


def _cut_of(t_s: float | None, cut_starts_s: Sequence[float]) -> int | None:
    if t_s is None:
        return None
    begun = sum(start_s <= t_s for start_s in cut_starts_s)
    return begun or None


def _force(pressure: TypedMeasure, piston_area_mm2: float) -> TypedMeasure:
    scale = unit_scale(pressure.figure.unit)
    newton = (1.0 if scale is None else scale.factor) * piston_area_mm2 * M2_PER_MM2
    u = None if pressure.figure.u is None else pressure.figure.u * newton
    figure = Figure(pressure.figure.value * newton, u, "N")
    return TypedMeasure(f"force by {pressure.quantity}", figure, pressure.readings, pressure.cuts)
