"""The uncertainties of the figures of one cut, from its record and what is known of its run."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from capture.folds.cut_record import FORCE, RUN_UP_US, TORQUE
from capture.folds.speed import SPEED
from capture.quantities import COULOMB_PER_AH, JOULE_PER_WH
from capture.uncertainty.electrical import (
    Electrical,
    Stretch,
    charge_u,
    difference_u,
    energy_u,
    level_u,
    lowest_mean_random,
    mean_power_u,
    percent_u,
    ratio_u,
)

if TYPE_CHECKING:
    from capture.figure_uncertainty import RunUncertainty
    from capture.folds.cut_record import CutRecord, Sag


def cut_uncertainties(cut: CutRecord, known: RunUncertainty) -> dict[str, float | None]:
    """Return u by the name that a figure of a cut has in JSON; None where nothing is known of its channel.

    Force and torque have one only where their channel was calibrated.
    """
    working_s = max(cut.covered_s - RUN_UP_US * 1e-6, 0.0)
    spun = known.readings(SPEED, working_s)
    pushed, turned = (known.readings(column, cut.covered_s) for column in (FORCE, TORQUE))
    told = {
        "mean_speed": known.of_channel(SPEED, cut.mean_speed_rpm, spun),
        "lowest_speed": known.of_extreme(SPEED, cut.lowest_speed_rpm, spun),
        "mean_force": known.of_channel(FORCE, cut.mean_force_n, pushed),
        "mean_torque": known.of_channel(TORQUE, cut.mean_torque_nm, turned),
    }
    if known.working is None:
        return told
    return {**told, **_sums(cut, known, known.working), **_voltages(cut, known, known.working)}


def _sums(cut: CutRecord, known: RunUncertainty, electrical: Electrical) -> dict[str, float | None]:
    """Return u of charge, energy and mean power, and of the peak current.

    The record holds no integral of the voltage nor of the squared current: the mean loaded voltage E / Q and
    the run's mean current weighted with the charge stand for them. What a gap in the cut hides lies between
    nothing and twice the cut's own mean.
    """
    charge_c, energy_j = cut.charge_ah * COULOMB_PER_AH, cut.energy_wh * JOULE_PER_WH
    volts = energy_j / charge_c if charge_c > 0 else cut.rest_voltage_v or 0.0
    missing_s = max(cut.duration_s - cut.covered_s, 0.0) if cut.has_gap else 0.0
    hidden = 2 * missing_s / cut.covered_s if cut.covered_s > 0 else 0.0
    stretch = Stretch(
        cut.covered_s,
        charge_c,
        energy_j,
        volts * cut.covered_s,
        charge_c * known.weighted_mean_a,
        hidden * charge_c,
        hidden * energy_j,
        known.skew_per_coulomb * charge_c,
    )
    samples = known.readings("current_a", cut.covered_s)
    return {
        "charge": charge_u(electrical, stretch) / COULOMB_PER_AH,
        "energy": energy_u(electrical, stretch) / JOULE_PER_WH,
        "mean_power": mean_power_u(electrical, stretch),
        "peak_current": known.of_extreme("current_a", cut.peak_current_a, samples),
    }


def _voltages(cut: CutRecord, known: RunUncertainty, electrical: Electrical) -> dict[str, float | None]:
    """Return u of rest voltage, minimum voltage and both sags in all their forms."""
    rest_v, lowest_v, voltage = cut.rest_voltage_v, cut.minimum_voltage_v, electrical.voltage
    of_rest = known.of_rest(cut.rested_s)
    of_lowest = lowest_mean_random(electrical, cut.covered_s)
    samples = max(cut.covered_s / 2 / electrical.spacing_s, 1.0)
    of_half = math.hypot(electrical.scatter_v / math.sqrt(samples), voltage.standing)
    told = {
        "rest_voltage": None if rest_v is None else level_u(voltage, rest_v, of_rest),
        "minimum_voltage": None if lowest_v is None else level_u(voltage, lowest_v, of_lowest),
    }
    in_window = electrical.lowest_readings
    for name, sag, of_loaded, readings in (
        ("peak_sag", cut.peak_sag, of_lowest, in_window),
        ("steady_sag", cut.steady_sag, of_half, samples),
    ):
        if sag is not None and rest_v is not None:
            told |= _sag(name, sag, rest_v, (of_rest, of_loaded), electrical, readings)
    return told


def _sag(
    name: str,
    sag: Sag,
    rest_v: float,
    randoms: tuple[float, float],
    electrical: Electrical,
    readings: float,
) -> dict[str, float | None]:
    """Return u of a sag in volts, in percent of the rest voltage and per ampere.

    `randoms` are those of the rest voltage and of the loaded one; `readings` is how many the mean current
    behind it is a mean of.
    """
    volts_u = difference_u(electrical.voltage, sag.volts, *randoms)
    told: dict[str, float | None] = {
        name: volts_u,
        f"{name}_percent": percent_u(electrical.voltage, rest_v, rest_v - sag.volts, *randoms),
    }
    if sag.per_ampere:
        current_a = sag.volts / sag.per_ampere
        scatter = math.hypot(electrical.scatter_a / math.sqrt(readings), electrical.current.standing)
        current_u = level_u(electrical.current, current_a, scatter)
        told[f"{name}_per_ampere"] = ratio_u(sag.per_ampere, sag.volts, volts_u, current_a, current_u)
    return told
