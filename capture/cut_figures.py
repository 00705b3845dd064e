"""The cuts of a run as figures: which there are, and each as the command line prints it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from capture.cut_uncertainty import cut_uncertainties
from capture.figure_uncertainty import RunUncertainty
from capture.quantities import Figure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.folds.cut_record import CutRecord, Sag
    from capture.folds.figures import RunFigures
    from capture.folds.phases import Phases


#: For callers who do not ask how well the run is known.
NOTHING_KNOWN: Final = RunUncertainty({})


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


def cut_document(
    cut: NumberedCut,
    first_tick_us: int,
    known: RunUncertainty = NOTHING_KNOWN,
    *,
    torque_in_blows: bool = False,
) -> dict[str, Any]:
    """Return one cut as JSON: times in seconds since the first sample, figures with units and uncertainties.

    The torque of an impact tool (`torque_in_blows`) is not reported: nobody measured it.

    `phases` are null where none can be told; `phases_untold` says what cannot, and why.
    """
    record = cut.record
    u = cut_uncertainties(record, known)
    return {
        "index": cut.number,
        "start_s": (record.start_us - first_tick_us) * 1e-6,
        "end_s": (record.end_us - first_tick_us) * 1e-6,
        "duration_s": record.duration_s,
        "covered_s": record.covered_s,
        "energy": _figure(record.energy_wh, "Wh", u.get("energy")),
        "charge": _figure(record.charge_ah, "Ah", u.get("charge")),
        "mean_power": _figure(record.mean_power_w, "W", u.get("mean_power")),
        "mean_current": _figure(record.mean_current_a, "A", u.get("mean_current")),
        "peak_current": _figure(record.peak_current_a, "A", u.get("peak_current")),
        "rest_voltage": _figure(record.rest_voltage_v, "V", u.get("rest_voltage")),
        "rested_s": record.rested_s,
        "minimum_voltage": _figure(record.minimum_voltage_v, "V", u.get("minimum_voltage")),
        **_sag("peak_sag", record.peak_sag, u),
        **_sag("steady_sag", record.steady_sag, u),
        "mean_speed": _figure(record.mean_speed_rpm, "1/min", u.get("mean_speed")),
        "lowest_speed": _figure(record.lowest_speed_rpm, "1/min", u.get("lowest_speed")),
        "mean_force": _figure(record.mean_force_n, "N", u.get("mean_force")),
        "mean_torque": None
        if torque_in_blows
        else _figure(record.mean_torque_nm, "N.m", u.get("mean_torque")),
        **_phases(record.phases, first_tick_us, u),
        "has_gap": record.has_gap,
        "unfinished": cut.unfinished,
    }


def _sag(name: str, sag: Sag | None, u: Mapping[str, float | None]) -> dict[str, Any]:
    """Return a sag in its three forms: in volts, in percent of the rest voltage, per ampere."""
    percent, per_ampere = f"{name}_percent", f"{name}_per_ampere"
    return {
        name: _figure(None if sag is None else sag.volts, "V", u.get(name)),
        percent: _figure(None if sag is None else sag.percent, "%", u.get(percent)),
        per_ampere: _figure(None if sag is None else sag.per_ampere, "Ohm", u.get(per_ampere)),
    }


def _phases(phases: Phases, first_tick_us: int, u: Mapping[str, float | None]) -> dict[str, Any]:
    """Return the phases and what follows from them, times in seconds since the first sample."""

    def seconds(tick_us: int | None) -> float | None:
        return None if tick_us is None else (tick_us - first_tick_us) * 1e-6

    spans = [
        {"phase": span.name, "start_s": seconds(span.start_us), "end_s": seconds(span.end_us)}
        for span in phases.spans
    ]
    return {
        "phases": spans or None,
        "phases_told_by": phases.told_by,
        "phases_untold": list(phases.untold),
        "contact_s": seconds(phases.contact_us),
        "severance_s": seconds(phases.severance_us),
        "work_duration": _figure(phases.work_s, "s", u.get("work_duration")),
    }


def _figure(value: float | None, unit: str, u: float | None) -> dict[str, Any] | None:
    return None if value is None else Figure(value, u, unit).as_json()
