"""The uncertainties of the figures of one cut, from its record and what is known of its run."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from capture.folds.cut_record import FORCE, RUN_UP_US, TORQUE
from capture.folds.speed import SPEED
from capture.quantities import COULOMB_PER_AH, JOULE_PER_WH
from capture.uncertainty.electrical import (
    Electrical,
    Stretch,
    charge_u,
    difference_u,
    ends_share,
    energy_u,
    level_u,
    lowest_mean_random,
    mean_power_u,
    per_ampere_u,
    percent_u,
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
        "work_duration": cut.phases.work_u_s,
    }
    if known.working is None:
        return told
    return {**told, **_sums(cut, known, known.working), **_voltages(cut, known, known.working)}


def _sums(cut: CutRecord, known: RunUncertainty, electrical: Electrical) -> dict[str, float | None]:
    """Return u of charge, energy and mean power, and of the peak current.

    The record holds no integral of the voltage nor of the squared current: the mean loaded voltage E / Q and
    the run's mean current weighted with the charge stand for them. A gap in the cut hides what passed if the
    cut went on in it at its own mean.
    """
    charge_c, energy_j = cut.charge_ah * COULOMB_PER_AH, cut.energy_wh * JOULE_PER_WH
    volts = energy_j / charge_c if charge_c > 0 else cut.rest_voltage_v or 0.0
    missing_s = max(cut.duration_s - cut.covered_s, 0.0) if cut.has_gap else 0.0
    hidden = missing_s / cut.covered_s if cut.covered_s > 0 else 0.0
    stretch = Stretch(
        cut.covered_s,
        charge_c,
        energy_j,
        volts * cut.covered_s,
        charge_c * known.weighted_mean_a,
        hidden * charge_c,
        hidden * energy_j,
        known.skew_per_coulomb * charge_c,
        ends=2,
    )
    samples = known.readings("current_a", cut.covered_s)
    u_charge_c = charge_u(electrical, stretch)
    return {
        "charge": u_charge_c / COULOMB_PER_AH,
        "mean_current": u_charge_c / cut.covered_s if cut.covered_s > 0 else None,
        "energy": energy_u(electrical, stretch) / JOULE_PER_WH,
        "mean_power": mean_power_u(electrical, stretch),
        "peak_current": known.of_extreme("current_a", cut.peak_current_a, samples),
    }


def _voltages(cut: CutRecord, known: RunUncertainty, electrical: Electrical) -> dict[str, float | None]:
    """Return u of rest voltage, minimum voltage and both sags in all their forms."""
    rest_v, lowest_v, voltage = cut.rest_voltage_v, cut.minimum_voltage_v, electrical.voltage
    of_rest = known.of_rest(cut.rested_s)
    of_lowest = lowest_mean_random(electrical, cut.covered_s)
    told = {
        "rest_voltage": None if rest_v is None else level_u(voltage, rest_v, of_rest),
        "minimum_voltage": None if lowest_v is None else level_u(voltage, lowest_v, of_lowest),
    }
    if rest_v is None:
        return told
    half_s = cut.covered_s / 2
    samples = max(half_s / electrical.spacing_s, 1.0)
    of_half = math.hypot(electrical.scatter_v / math.sqrt(samples), voltage.standing)
    if cut.peak_sag is not None:
        at_lowest = _Loaded(of_lowest, electrical.lowest_readings, 0.0)
        told |= _sag("peak_sag", cut.peak_sag, rest_v, of_rest, at_lowest, electrical)
    if cut.steady_sag is not None:
        over_half = _Loaded(of_half, samples, ends_share(electrical, half_s, 1))
        told |= _sag("steady_sag", cut.steady_sag, rest_v, of_rest, over_half, electrical)
    return told


@dataclass(frozen=True, slots=True)
class _Loaded:
    """A loaded voltage: the random part of its u, how many samples it is a mean of, and its end's share."""

    random: float
    samples: float
    end: float


def _sag(
    name: str, sag: Sag, rest_v: float, of_rest: float, loaded: _Loaded, electrical: Electrical
) -> dict[str, float | None]:
    """Return u of a sag in volts, in percent of the rest voltage and per ampere.

    An end of the stretch between two samples moves voltage and current alike: per ampere it drops out.
    """
    voltage, current = electrical.voltage, electrical.current
    of_loaded = math.hypot(loaded.random, loaded.end * sag.volts)
    told: dict[str, float | None] = {
        name: difference_u(voltage, sag.volts, of_rest, of_loaded),
        f"{name}_percent": percent_u(voltage, rest_v, rest_v - sag.volts, of_rest, of_loaded),
    }
    if sag.per_ampere:
        of_current = math.hypot(electrical.scatter_a / math.sqrt(loaded.samples), current.standing)
        randoms = (of_rest, loaded.random, of_current)
        current_a = sag.volts / sag.per_ampere
        told[f"{name}_per_ampere"] = per_ampere_u(electrical, sag.volts, current_a, randoms)
    return told
