"""What is kept of one cut: what is tallied while it lasts, and the record that comes of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import lcm
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds import loaded_voltage
from capture.folds.integrals import ChannelIntegral
from capture.folds.loaded_voltage import LoadedVoltage, LoadPoint
from capture.folds.phases import UNDER_WAY, Phases
from capture.folds.seam import Seam, behind, joins
from capture.folds.speed import SPEED
from capture.quantities import COULOMB_PER_AH, ah_from_coulomb, wh_from_joule

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.blocks import SampleBlock
    from capture.folds.rest_voltage import Rest

#: A tool needs time to come up to speed: its speed counts from here on. Common practice, no source.
RUN_UP_US: Final = 500_000
FORCE: Final = "force_n"
TORQUE: Final = "torque_nm"


@dataclass(frozen=True, slots=True)
class Sag:
    """A sag in volts, in percent of the rest voltage, and over the mean current of the same time in ohm."""

    volts: float
    percent: float
    per_ampere: float | None


@dataclass(frozen=True, slots=True)
class CutRecord:
    """One cut, from the first sample at which the tool drew to the last.

    `covered_s` is the time that charge, energy and mean power stand for: gaps are left out. The minimum
    voltage is the lowest mean over 20 ms. `rest_voltage_v` is that of the latest rest before the cut. Peak
    sag is that minus the minimum voltage; steady sag that minus the mean voltage over the cut's last half.
    Speeds count from `RUN_UP_US` on. None is what cannot be told. `has_gap`: samples were lost in it, or an
    end of it fell into a gap, a pause or a restart. `phases` are told once the cut is finished.
    """

    start_us: int
    end_us: int
    covered_s: float
    charge_ah: float
    energy_wh: float
    mean_power_w: float | None
    peak_current_a: float | None
    rest_voltage_v: float | None
    rested_s: float | None
    minimum_voltage_v: float | None
    peak_sag: Sag | None
    steady_sag: Sag | None
    mean_speed_rpm: float | None
    lowest_speed_rpm: float | None
    mean_force_n: float | None
    mean_torque_nm: float | None
    has_gap: bool
    phases: Phases = UNDER_WAY

    @property
    def duration_s(self) -> float:
        """Seconds from start to end, gaps included."""
        return (self.end_us - self.start_us) * 1e-6

    @property
    def mean_current_a(self) -> float | None:
        """The charge over the time it stands for; None where nothing is covered."""
        return self.charge_ah * COULOMB_PER_AH / self.covered_s if self.covered_s > 0 else None


@dataclass(frozen=True, slots=True, eq=False)
class Tally:
    """The running sums of one stretch of work, up to `end_us`."""

    start_us: int
    end_us: int
    loaded: LoadedVoltage
    channels: Mapping[str, ChannelIntegral] = field(default_factory=dict)
    has_gap: bool = False
    seam: Seam | None = None

    @classmethod
    def opened(cls, start_us: int, *, has_gap: bool) -> Tally:
        """Return the empty tally of a stretch that begins at a tick."""
        return cls(start_us, start_us, LoadedVoltage(start_us), has_gap=has_gap)

    def plus(self, block: SampleBlock, divisors: Mapping[str, int]) -> Tally:
        """Return the tally with the rows of `block` behind it."""
        if len(block) == 0:
            return self
        joined = joins(self.seam, block)
        channels = dict(self.channels)
        for name in ("current_a", SPEED, FORCE, TORQUE):
            column = block.columns.get(name)
            if column is None:
                continue
            if name == SPEED:
                column = np.where(block.ticks_us - self.start_us >= RUN_UP_US, column, np.nan)
            known = channels.get(name, ChannelIntegral())
            channels[name] = known.extended(block, column, divisors.get(name, 1), joined=joined)
        spacing = lcm(divisors.get("current_a", 1), divisors.get("voltage_v", 1))
        return replace(
            self,
            end_us=int(block.ticks_us[-1]),
            loaded=loaded_voltage.update(self.loaded, block, spacing),
            channels=channels,
            has_gap=self.has_gap or (self.seam is not None and not joined),
            seam=behind(block),
        )

    def channel(self, name: str) -> ChannelIntegral:
        """Return one channel's sums, empty where there is none."""
        return self.channels.get(name, ChannelIntegral())

    def record(self, rest: Rest | None) -> CutRecord:
        """Return what the tally says of a cut that ended where it ends; `rest` is the one before it."""
        loaded, speed = self.loaded, self.channel(SPEED)
        lowest, half = loaded.lowest, loaded.last_half(self.end_us)
        return CutRecord(
            start_us=self.start_us,
            end_us=self.end_us,
            covered_s=loaded.covered_s,
            charge_ah=ah_from_coulomb(loaded.charge_c),
            energy_wh=wh_from_joule(loaded.energy_j),
            mean_power_w=loaded.energy_j / loaded.covered_s if loaded.covered_s > 0 else None,
            peak_current_a=self.channel("current_a").highest,
            rest_voltage_v=None if rest is None else rest.voltage_v,
            rested_s=None if rest is None else rest.rested_s,
            minimum_voltage_v=None if lowest is None else lowest.voltage_v,
            peak_sag=_sag(rest, lowest),
            steady_sag=_sag(rest, half),
            mean_speed_rpm=speed.mean,
            lowest_speed_rpm=speed.lowest,
            mean_force_n=self.channel(FORCE).mean,
            mean_torque_nm=self.channel(TORQUE).mean,
            has_gap=self.has_gap,
        )


def _sag(rest: Rest | None, loaded: LoadPoint | None) -> Sag | None:
    """Return rest voltage minus loaded voltage in its three forms; None where either is not known."""
    if rest is None or loaded is None or rest.voltage_v <= 0:
        return None
    volts = rest.voltage_v - loaded.voltage_v
    per_ampere = volts / loaded.current_a if loaded.current_a > 0 else None
    return Sag(volts, 100 * volts / rest.voltage_v, per_ampere)
