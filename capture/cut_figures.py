"""The cuts of a run as figures: which there are, and each as the command line prints it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from capture.quantities import Figure

if TYPE_CHECKING:
    from capture.folds.cut_record import CutRecord, Sag
    from capture.folds.figures import RunFigures


@dataclass(frozen=True, slots=True)
class NumberedCut:
    """A cut and its number, counted from 1; `unfinished` where the recording ended in it."""

    number: int
    record: CutRecord
    unfinished: bool = False


def numbered_cuts(figures: RunFigures, most: int | None = None) -> list[NumberedCut]:
    """Return the cuts of a run in order, the running one included, or the last `most` of them.

    Only so many records are kept (`MOST_RECORDS` of the fold); of a run with more, the latest follows with
    its own number, and nobody can tell whether it was finished.
    """
    records, latest = figures.cut_records, figures.latest_cut
    further = latest is not None and (not records or latest.start_us != records[-1].start_us)
    first = 0 if most is None else max(0, len(records) + further - most)
    cuts = [NumberedCut(number, record) for number, record in enumerate(records[first:], start=first + 1)]
    if latest is not None and further:
        number = figures.cuts or len(records) + 1
        cuts.append(NumberedCut(number, latest, unfinished=number == len(records) + 1))
    return cuts


def cut_document(cut: NumberedCut, first_tick_us: int) -> dict[str, Any]:
    """Return one cut as JSON: times in seconds since the first sample, figures with their units.

    `phases` are null until they are told apart.
    """
    record = cut.record
    return {
        "index": cut.number,
        "start_s": (record.start_us - first_tick_us) * 1e-6,
        "end_s": (record.end_us - first_tick_us) * 1e-6,
        "duration_s": record.duration_s,
        "covered_s": record.covered_s,
        "energy": _figure(record.energy_wh, "Wh"),
        "charge": _figure(record.charge_ah, "Ah"),
        "mean_power": _figure(record.mean_power_w, "W"),
        "peak_current": _figure(record.peak_current_a, "A"),
        "rest_voltage": _figure(record.rest_voltage_v, "V"),
        "rested_s": record.rested_s,
        "minimum_voltage": _figure(record.minimum_voltage_v, "V"),
        **_sag("peak_sag", record.peak_sag),
        **_sag("steady_sag", record.steady_sag),
        "mean_speed": _figure(record.mean_speed_rpm, "1/min"),
        "lowest_speed": _figure(record.lowest_speed_rpm, "1/min"),
        "mean_force": _figure(record.mean_force_n, "N"),
        "mean_torque": _figure(record.mean_torque_nm, "N.m"),
        "phases": None,
        "has_gap": record.has_gap,
        "unfinished": cut.unfinished,
    }


def _sag(name: str, sag: Sag | None) -> dict[str, Any]:
    """Return a sag in its three forms: in volts, in percent of the rest voltage, per ampere."""
    return {
        name: _figure(None if sag is None else sag.volts, "V"),
        f"{name}_percent": _figure(None if sag is None else sag.percent, "%"),
        f"{name}_per_ampere": _figure(None if sag is None else sag.per_ampere, "Ohm"),
    }


def _figure(value: float | None, unit: str) -> dict[str, Any] | None:
    return None if value is None else Figure(value, None, unit).as_json()
