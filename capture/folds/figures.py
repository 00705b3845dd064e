"""The figures of a run as the states of all folds give them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from capture.folds import remaining_time
from capture.folds.speed import SPEED
from capture.quantities import Figure, ah_from_coulomb, wh_from_joule

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.folds.accounting import Accounting
    from capture.folds.cut_record import CutRecord
    from capture.folds.exposure import Exposure
    from capture.folds.extremes import Extreme
    from capture.folds.integrals import ChannelIntegral
    from capture.folds.noise import ChannelNoise
    from capture.folds.pairing import Pairing
    from capture.folds.remaining_time import Remaining
    from capture.folds.run import FoldSettings, RunState
    from capture.folds.speed import SpeedState
    from capture.uncertainty.moments import Moments


@dataclass(frozen=True, slots=True)
class ChannelFigures:
    """One channel by itself, in its unit: time-weighted `mean` over `covered_s`, extremes, readings."""

    mean: float | None
    integral: float
    covered_s: float
    lowest: float | None
    highest: float | None
    readings: int


@dataclass(frozen=True, slots=True)
class SpeedFigures:
    """The speed in rpm. `now` is None while no pulse comes: then it is no higher than `at_most`.

    `mean` is over all time covered; `working_mean` and `lowest_working` over the cuts, without their run-up;
    `highest_no_load` while little current is drawn.
    """

    how: SpeedState | None
    now: float | None
    at_most: float | None
    mean: float | None
    working_mean: float | None
    lowest_working: float | None
    highest_no_load: float | None
    suspect_readings: int


@dataclass(frozen=True, slots=True)
class LowestGroup:
    """The lowest voltage of one group, and which group it was, counted from 1 at the negative end."""

    group: int
    voltage: Figure


@dataclass(frozen=True, slots=True)
class RunFigures:
    """The figures of a run so far; None for what cannot be told from its channels.

    `charge` and `energy` are net (discharged minus returned), in Ah and Wh at the point where the voltage is
    sensed; `rest_voltage` is the one before the first load, in V, `rested_s` how long the recording saw it
    rest; `peak_current`, `peak_power` and `minimum_voltage` are of single samples; `drop_from_rest` is rest
    voltage minus minimum voltage. `cut_records` are the finished cuts, `latest_cut` the running one so far or
    else the last, with ticks on the clock of `first_tick_us`, the first sample; `channels` maps a column to
    its own figures, suspect speeds left out. `exposure`, `noise` (by column), `rest_current` (mean and
    spread while idle, A) and `pairing` are what uncertainties and cautions follow from:
    `capture.figure_uncertainty` and `capture.cautions` work them out when they are asked for.
    """

    duration_s: float
    samples: int
    charge: Figure | None
    charge_discharged: Figure | None
    charge_returned: Figure | None
    energy: Figure | None
    energy_discharged: Figure | None
    energy_returned: Figure | None
    peak_current: Figure | None
    peak_power: Figure | None
    minimum_voltage: Figure | None
    rest_voltage: Figure | None
    rested_s: float | None
    drop_from_rest: Figure | None
    cuts: int | None
    cut_records: tuple[CutRecord, ...] = ()
    latest_cut: CutRecord | None = None
    speed: SpeedFigures | None = None
    channels: Mapping[str, ChannelFigures] = field(default_factory=dict)
    lowest_group: LowestGroup | None = None
    peak_temperature: Figure | None = None
    remaining: Remaining | None = None
    accounting: Accounting | None = None
    first_tick_us: int | None = None
    exposure: Exposure | None = None
    noise: Mapping[str, ChannelNoise] = field(default_factory=dict)
    rest_current: Moments | None = None
    pairing: Pairing | None = None


def report(state: RunState, settings: FoldSettings) -> RunFigures:
    """Return the figures of `state`, without uncertainties: those need the document's channels."""
    work, ends, rest = state.charge_energy, state.extremes, state.rest.before_load
    integrated = work.has_readings
    minimum, lowest = ends.minimum_voltage, ends.lowest_group
    drop = None if rest is None or minimum is None else rest.voltage_v - minimum.value
    span_us = (state.last_tick_us or 0) - (state.first_tick_us or 0)
    limits = settings.limits(state.columns)
    return RunFigures(
        duration_s=span_us * 1e-6,
        samples=state.accounting.rows,
        charge=_figure(ah_from_coulomb(work.charge_c), "Ah", known=integrated),
        charge_discharged=_figure(ah_from_coulomb(work.charge_discharged_c), "Ah", known=integrated),
        charge_returned=_figure(ah_from_coulomb(work.charge_returned_c), "Ah", known=integrated),
        energy=_figure(wh_from_joule(work.energy_j), "Wh", known=integrated),
        energy_discharged=_figure(wh_from_joule(work.energy_discharged_j), "Wh", known=integrated),
        energy_returned=_figure(wh_from_joule(work.energy_returned_j), "Wh", known=integrated),
        peak_current=_extreme(ends.peak_current, "A"),
        peak_power=_extreme(ends.peak_power, "W"),
        minimum_voltage=_extreme(minimum, "V"),
        rest_voltage=None if rest is None else Figure(rest.voltage_v, None, "V"),
        rested_s=None if rest is None else rest.rested_s,
        drop_from_rest=None if drop is None else Figure(drop, None, "V"),
        cuts=state.cuts.count if integrated else None,
        cut_records=state.cuts.records,
        latest_cut=state.cuts.running_record or state.cuts.last_finished,
        speed=_speed(state, settings),
        channels={name: _channel(channel) for name, channel in state.integrals.channels.items()},
        lowest_group=None if lowest is None else LowestGroup(lowest.group, Figure(lowest.value, None, "V")),
        peak_temperature=_extreme(ends.peak_temperature, "Cel"),
        remaining=None if limits is None else remaining_time.report(state.remaining, limits),
        accounting=state.accounting,
        first_tick_us=state.first_tick_us,
        exposure=work.exposure if integrated else None,
        noise=state.noise.channels,
        rest_current=state.noise.rest_current,
        pairing=state.pairing if integrated else None,
    )


def _figure(value: float, unit: str, *, known: bool) -> Figure | None:
    return Figure(value, None, unit) if known else None


def _extreme(extreme: Extreme | None, unit: str) -> Figure | None:
    return None if extreme is None else Figure(extreme.value, None, unit)


def _channel(channel: ChannelIntegral) -> ChannelFigures:
    return ChannelFigures(
        channel.mean,
        channel.integral,
        channel.covered_s,
        channel.lowest,
        channel.highest,
        channel.readings,
    )


def _speed(state: RunState, settings: FoldSettings) -> SpeedFigures | None:
    if SPEED not in state.columns:
        return None
    speed, working = state.speed, state.cuts.working_speed
    return SpeedFigures(
        how=speed.how,
        now=speed.now_rpm,
        at_most=speed.at_most_rpm(settings.pulses_per_turn),
        mean=state.integrals.channels[SPEED].mean,
        working_mean=working.mean_rpm,
        lowest_working=working.lowest_rpm,
        highest_no_load=speed.highest_no_load_rpm,
        suspect_readings=speed.suspect_readings,
    )
