"""How well a run is known, and its figures with their uncertainties.

What the folds have summed meets what the document tells of the channels. Nothing is summed here: it may be
asked at any time, live or stored.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from capture.folds.extremes import TEMPERATURE
from capture.folds.loaded_voltage import LOWEST_OVER_US
from capture.folds.rest_voltage import MEAN_OVER_US
from capture.folds.speed import SPEED
from capture.quantities import COULOMB_PER_AH, JOULE_PER_WH
from capture.uncertainty.electrical import (
    Electrical,
    Stretch,
    charge_u,
    difference_u,
    energy_u,
    extreme_random,
    level_u,
    peak_power_u,
)
from capture.uncertainty.known import channel_uncertainties

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.folds.figures import RunFigures
    from capture.folds.noise import ChannelNoise
    from capture.folds.pairing import Pairing
    from capture.quantities import Figure
    from capture.uncertainty.channels import ChannelUncertainty

#: A crystal over the seasons, where nobody compared the logger's clock. Common practice, no source.
CRYSTAL: Final = 1e-4
#: What differs more from the host's clock does not run in real time: a fast replay.
_NO_CLOCK_PPM: Final = 10_000.0
_REST_S: Final = MEAN_OVER_US * 1e-6


@dataclass(frozen=True, slots=True)
class RunUncertainty:
    """How well a run is known; `electrical` is None where current or voltage is missing.

    `working` is `electrical` with the scatter of the loaded samples alone. `weighted_mean_a` is the mean
    current of the run weighted with the charge, `skew_per_coulomb` the sum of V dI over the charge;
    `spacings_s` is how far apart the readings of a column are due.
    """

    channels: Mapping[str, ChannelUncertainty] = field(default_factory=dict)
    electrical: Electrical | None = None
    working: Electrical | None = None
    weighted_mean_a: float = 0.0
    skew_per_coulomb: float = 0.0
    spacings_s: Mapping[str, float] = field(default_factory=dict)

    def readings(self, column: str, seconds: float) -> float:
        """Return how many readings of a column fall into so many seconds, at least one."""
        return max(seconds / self.spacings_s[column], 1.0) if column in self.spacings_s else 1.0

    def of_channel(self, column: str, value: float | None, readings: float = 1.0) -> float | None:
        """Return u of a reading of a channel, or of a mean of many; None where nothing is known of it.

        Nothing is known of a load cell, a torque or a pressure that nobody calibrated: their factor is
        whatever the builder soldered.
        """
        known = self.channels.get(column)
        if known is None or value is None:
            return None
        return level_u(known, value, known.single if readings <= 1 else known.of_mean(readings))

    def of_extreme(self, column: str, value: float | None, readings: float) -> float | None:
        """Return u of the highest or lowest of so many readings of a channel."""
        known = self.channels.get(column)
        if known is None or value is None:
            return None
        return level_u(known, value, extreme_random(known.single, readings))

    def of_rest(self, rested_s: float | None) -> float:
        """Return the random part of u of a rest voltage: a mean over at most the last second of a rest."""
        if self.electrical is None:
            return 0.0
        seconds = min(rested_s or 0.0, _REST_S)
        return self.electrical.voltage.of_mean(seconds / self.electrical.spacing_s)


def measured_noise(noise: Mapping[str, ChannelNoise]) -> dict[str, float | None]:
    """Return the standard deviation of one reading by column, as the run shows it.

    At rest where the pack rested long enough, else over all readings, which is an upper bound. A tachometer
    reads zero at rest, without noise: of the speed it is that under load.
    """
    told: dict[str, float | None] = {}
    for name, channel in noise.items():
        alone = channel.under_load if name == SPEED else channel.at_rest
        told[name] = channel.throughout if alone is None else alone
    return told


def run_uncertainty(figures: RunFigures, document: Mapping[str, Any]) -> RunUncertainty:
    """Return how well the run of these figures and this document is known."""
    channels = channel_uncertainties(document, measured_noise(figures.noise))
    pairing, exposure = figures.pairing, figures.exposure
    spacings = _spacings(document)
    if not channels.keys() >= {"current_a", "voltage_v"} or pairing is None or exposure is None:
        return RunUncertainty(channels, spacings_s=spacings)
    electrical = _electrical(figures, channels, document, pairing)
    loaded = {
        column: _scatter(figures, channels, column, document, under_load=True)
        for column in ("current_a", "voltage_v")
    }
    charge_c = figures.charge.value * COULOMB_PER_AH if figures.charge is not None else 0.0
    per_coulomb = 1 / charge_c if charge_c > 0 else 0.0
    return RunUncertainty(
        channels,
        electrical,
        replace(electrical, scatter_a=loaded["current_a"], scatter_v=loaded["voltage_v"]),
        weighted_mean_a=exposure.square_a2_s * per_coulomb,
        skew_per_coulomb=_volt_amperes(pairing, electrical) * per_coulomb,
        spacings_s=spacings,
    )


def with_uncertainties(figures: RunFigures, known: RunUncertainty) -> RunFigures:
    """Return the figures of a run with the u of each; where nothing is known of a channel it stays None."""
    peak, lowest = figures.peak_temperature, figures.lowest_group
    if peak is not None:
        figures = replace(
            figures, peak_temperature=replace(peak, u=known.of_channel(TEMPERATURE, peak.value))
        )
    if lowest is not None:
        column = f"group_{lowest.group}_v"
        u = known.of_extreme(column, lowest.voltage.value, _readings(figures, column))
        figures = replace(figures, lowest_group=replace(lowest, voltage=replace(lowest.voltage, u=u)))
    if known.electrical is None:
        return figures
    return _with_points(_with_sums(figures, known, known.electrical), known, known.electrical)


def whole_run(figures: RunFigures, known: RunUncertainty) -> Stretch | None:
    """Return the sums over a whole run, as net charge and energy have them; None where there are none."""
    exposure, charge, energy = figures.exposure, figures.charge, figures.energy
    if exposure is None or charge is None or energy is None:
        return None
    charge_c = charge.value * COULOMB_PER_AH
    return Stretch(
        exposure.discharged_s + exposure.returned_s,
        charge_c,
        energy.value * JOULE_PER_WH,
        exposure.discharged_volt_s + exposure.returned_volt_s,
        exposure.square_a2_s,
        exposure.hidden_c,
        exposure.hidden_j,
        known.skew_per_coulomb * charge_c,
        hidden_a2_s=exposure.hidden_c**2 / exposure.hidden_s if exposure.hidden_s > 0 else 0.0,
    )


def _with_sums(figures: RunFigures, known: RunUncertainty, electrical: Electrical) -> RunFigures:
    """Return the figures with the u of charges and energies.

    What a gap hides counts as discharged: nobody knows, and a tool returns little.
    """
    charge, energy = figures.charge, figures.energy
    exposure, whole = figures.exposure, whole_run(figures, known)
    parts = (figures.charge_discharged, figures.energy_discharged)
    back = (figures.charge_returned, figures.energy_returned)
    if exposure is None or whole is None:
        return figures
    out = replace(
        whole,
        seconds=exposure.discharged_s,
        volt_s=exposure.discharged_volt_s,
        charge_c=_value(parts[0]) * COULOMB_PER_AH,
        energy_j=_value(parts[1]) * JOULE_PER_WH,
    )
    returned_c = _value(back[0]) * COULOMB_PER_AH
    # gain and offset act on the negative current of the brake
    returned = Stretch(
        exposure.returned_s,
        -returned_c,
        -_value(back[1]) * JOULE_PER_WH,
        exposure.returned_volt_s,
        returned_c * known.weighted_mean_a,
    )
    return replace(
        figures,
        charge=_with(charge, charge_u(electrical, whole) / COULOMB_PER_AH),
        energy=_with(energy, energy_u(electrical, whole) / JOULE_PER_WH),
        charge_discharged=_with(parts[0], charge_u(electrical, out) / COULOMB_PER_AH),
        energy_discharged=_with(parts[1], energy_u(electrical, out) / JOULE_PER_WH),
        charge_returned=_with(back[0], charge_u(electrical, returned) / COULOMB_PER_AH),
        energy_returned=_with(back[1], energy_u(electrical, returned) / JOULE_PER_WH),
    )


def _with_points(figures: RunFigures, known: RunUncertainty, electrical: Electrical) -> RunFigures:
    """Return the figures with the u of what is read at one moment: peaks, rest, minimum, and the drop."""
    current, power = figures.peak_current, figures.peak_power
    lowest, rest, drop = figures.minimum_voltage, figures.rest_voltage, figures.drop_from_rest
    of_rest = known.of_rest(figures.rested_s)
    samples = _readings(figures, "voltage_v")
    of_lowest = extreme_random(electrical.voltage.single, samples)
    return replace(
        figures,
        peak_current=_with(
            current, known.of_extreme("current_a", _value(current), _readings(figures, "current_a"))
        ),
        peak_power=_with(
            power,
            peak_power_u(electrical, _value(power), _value(current), samples * electrical.spacing_s),
        ),
        rest_voltage=_with(rest, level_u(electrical.voltage, _value(rest), of_rest)),
        minimum_voltage=_with(lowest, level_u(electrical.voltage, _value(lowest), of_lowest)),
        drop_from_rest=_with(drop, difference_u(electrical.voltage, _value(drop), of_rest, of_lowest)),
    )


def _electrical(
    figures: RunFigures,
    channels: Mapping[str, ChannelUncertainty],
    document: Mapping[str, Any],
    pairing: Pairing,
) -> Electrical:
    told = {channel["column"]: channel for channel in document["channels"]}
    current, voltage = told["current_a"], told["voltage_v"]
    spacing = math.lcm(current.get("divisor", 1), voltage.get("divisor", 1))
    averaged = is_averaged(current) and is_averaged(voltage)
    spacing_s = spacing * document["logger"]["interval_ns"] * 1e-9
    return Electrical(
        current=channels["current_a"],
        voltage=channels["voltage_v"],
        spacing_s=spacing_s,
        scatter_a=_scatter(figures, channels, "current_a", document),
        scatter_v=_scatter(figures, channels, "voltage_v", document),
        lowest_over_s=LOWEST_OVER_US * 1e-6,
        averaged=averaged,
        resistance_ohm=pairing.resistance_ohm,
        skew_s=skew_s(current, voltage),
        slope_a_per_s=pairing.root_mean_square_a / spacing_s,
        together=0.0 if averaged else pairing.correlation() or 0.0,
        clock=_clock(document),
    )


def _spacings(document: Mapping[str, Any]) -> dict[str, float]:
    """Return by column how many seconds apart its readings are due."""
    return {
        channel["column"]: channel.get("divisor", 1) * document["logger"]["interval_ns"] * 1e-9
        for channel in document.get("channels", [])
    }


def is_averaged(channel: Mapping[str, Any]) -> bool:
    """Return whether a channel's readings are means over a window."""
    return channel.get("statistic") == "mean" and (channel.get("window_us") or 0) > 0


def skew_s(current: Mapping[str, Any], voltage: Mapping[str, Any]) -> float:
    """Return by how much later or earlier one channel stands for its moment than the other, in seconds."""
    return abs(float(current.get("delay_us") or 0) - float(voltage.get("delay_us") or 0)) * 1e-6


def _scatter(
    figures: RunFigures,
    channels: Mapping[str, ChannelUncertainty],
    column: str,
    document: Mapping[str, Any],
    *,
    under_load: bool = False,
) -> float:
    """Return what one sample of a column is uncertain by where it stands for its share of a sum."""
    channel = next(one for one in document["channels"] if one["column"] == column)
    noise = figures.noise.get(column)
    seen = None if noise is None else noise.under_load if under_load else noise.throughout
    if is_averaged(channel) or seen is None:
        return channels[column].noise
    return max(seen, channels[column].noise) if under_load else seen


def _volt_amperes(pairing: Pairing, electrical: Electrical) -> float:
    """Return what a skew d moves the energy by, over d: the sum of V dI, and d/2 times that of dV dI / dt."""
    second = 0.5 * electrical.skew_s * abs(pairing.product()) / electrical.spacing_s
    return abs(pairing.volt_amperes) + second


def _clock(document: Mapping[str, Any]) -> float:
    """Return the relative u of time: what the host's clock says of the logger's, not corrected, and its u."""
    rate = (document.get("clock") or {}).get("rate_ppm")
    if not rate or abs(rate["value"]) > _NO_CLOCK_PPM:
        return CRYSTAL
    return math.hypot(rate["value"], rate["u"] or 0.0) * 1e-6


def _readings(figures: RunFigures, column: str) -> float:
    channel = figures.channels.get(column)
    return 1.0 if channel is None else float(channel.readings)


def _value(figure: Figure | None) -> float:
    return 0.0 if figure is None else figure.value


def _with(figure: Figure | None, u: float | None) -> Figure | None:
    return None if figure is None else replace(figure, u=u)
