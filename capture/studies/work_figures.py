"""What the tool did with the energy of a cut: mechanical power, efficiency, rate, speeds, stall torque.

P = T w with w = 2 pi n / 60; an efficiency above 1 is a scale error, and said to be. The speed without
load is that of the free run before contact; the slump is that less the mean speed of the work. Torque at
standstill is a plateau, not a peak. An impact tool's torque is not reported: nobody measured it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.quantities import Figure
from capture.studies.press_figures import PressFigures, press_figures
from capture.uncertainty.channels import ChannelUncertainty

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from capture.run_card import RunCard
    from capture.studies.columns import RunColumns, Span

    Floats = npt.NDArray[np.float64]

SPEED: Final = "speed_rpm"
TORQUE: Final = "torque_nm"
_RAD_PER_S_PER_RPM: Final = pi / 30
_LEAST_READINGS: Final = 3
#: Of the highest speed of the run; below it the tool stands.
_STANDS: Final = 0.02
#: A converter needs some of its intervals until it has settled; a shorter stall reads too low. Common
#: practice, no source.
_SETTLING_INTERVALS: Final = 10
#: A no-load speed moves by less from one half of its time to the other. Common practice, no source.
_STEADY: Final = 0.01
_NOTHING_KNOWN: Final = ChannelUncertainty(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class WorkSpans:
    """A cut and, where its phases are told, its free run before contact and its work.

    `only_free`: the whole cut is a free run, as the run card says; there is no work in it.
    """

    number: int
    cut: Span
    free: Span | None
    work: Span | None
    energy: Figure
    only_free: bool = False


@dataclass(frozen=True, slots=True)
class Working:
    """Mean current, voltage and speed over a span, the speed with its uncertainty."""

    current_a: float
    voltage_v: float
    speed: Figure


@dataclass(frozen=True, slots=True)
class CutWork:
    """The figures of one cut, None where the channels or the run card do not tell them; `says` is why."""

    number: int
    mechanical_power: Figure | None
    efficiency: Figure | None
    energy_per_mm2: Figure | None
    cutting_rate: Figure | None
    no_load: Working | None
    working: Working | None
    slump: Figure | None
    slump_percent: Figure | None
    speed_per_volt: Figure | None
    stall_torque: Figure | None
    says: tuple[str, ...]
    press: PressFigures | None = None


def mean_working(told: Sequence[Working | None]) -> Working | None:
    """Return the mean of what several cuts tell; u of the speed is that of the mean, their scatter in it.

    None where none tells anything; of one alone, its own.
    """
    known = [working for working in told if working is not None]
    if len(known) <= 1:
        return known[0] if known else None
    rpm = np.array([working.speed.value for working in known])
    own = float(np.mean([working.speed.u or 0.0 for working in known]))
    u = float(np.hypot(own, rpm.std(ddof=1) / len(known) ** 0.5))
    return Working(
        float(np.mean([working.current_a for working in known])),
        float(np.mean([working.voltage_v for working in known])),
        Figure(float(rpm.mean()), u, "1/min"),
    )


def cut_work(
    run: RunColumns, spans: WorkSpans, card: RunCard, uncertainties: Mapping[str, ChannelUncertainty]
) -> CutWork:
    """Return what a cut gave; `run` has the columns of the channels that there are."""
    says: list[str] = []
    work = spans.work or spans.cut
    if spans.work is None and not spans.only_free and card.may_sever:
        says.append("contact or severance is not told: the whole cut counts as work")
    working = None if spans.only_free else _working(run, work, uncertainties)
    no_load = None if spans.free is None else _working(run, _settled(spans.free), uncertainties)
    if no_load is not None and _still_changes(run, _settled(spans.free or spans.cut)):
        says.append("the free run was too short for a no-load speed: the tool was still changing its speed")
        no_load = None
    if card.torque_comes_in_blows and run.has(TORQUE):
        says.append("the torque of an impact tool comes in blows: no torque, power or efficiency is told")
        run = run.without(TORQUE)
    power = _mechanical_power(run, work, uncertainties)
    efficiency = _efficiency(run, work, power, uncertainties)
    if efficiency is not None and efficiency.value - 2 * (efficiency.u or 0.0) > 1:
        says.append("an efficiency above 1 is a scale error: check torque, speed and current")
    stall, too_short = _stall_torque(run, spans.cut, uncertainties)
    if too_short:
        says.append("the stall was shorter than the load cell needs to settle: its torque is a lower bound")
    press = press_figures(run, spans.cut, card, uncertainties) if card.presses else None
    slump = _difference(no_load, working, uncertainties)
    return CutWork(
        spans.number,
        power,
        efficiency,
        _per_area(spans.energy, card.section_mm2),
        _rate(card.section_mm2, spans.work),
        no_load,
        working,
        slump,
        _share(slump, no_load),
        _per_volt(working, uncertainties),
        stall,
        (*says, *(() if press is None else press.says)),
        press,
    )


def _settled(free: Span) -> Span:
    """Return the later half of a free run: the tool has come to its speed."""
    return type(free)(free.start_s + free.duration_s / 2, free.end_s)


def _still_changes(run: RunColumns, settled: Span) -> bool:
    """Return whether the speed moved from the first half of a span to the second by more than it may."""
    middle_s = settled.start_s + settled.duration_s / 2
    halves = [
        _within(run, SPEED, type(settled)(start_s, end_s))
        for start_s, end_s in ((settled.start_s, middle_s), (middle_s, settled.end_s))
    ]
    if min(len(half) for half in halves) < _LEAST_READINGS:
        return False
    before, after = (float(half.mean()) for half in halves)
    scatter = float(np.sqrt(sum(half.var(ddof=1) / len(half) for half in halves)))
    return abs(after - before) > max(_STEADY * max(before, after), 2 * scatter)


def _known(uncertainties: Mapping[str, ChannelUncertainty], column: str) -> ChannelUncertainty:
    return uncertainties.get(column, _NOTHING_KNOWN)


def _within(run: RunColumns, column: str, span: Span) -> Floats:
    """Return the readings of a column within a span; empty where there is no such column."""
    if not run.has(column):
        return np.empty(0)
    readings = run.columns[column][run.rows(span)]
    return readings[~np.isnan(readings)]


def _working(run: RunColumns, span: Span, uncertainties: Mapping[str, ChannelUncertainty]) -> Working | None:
    current, voltage, speed = (_within(run, name, span) for name in ("current_a", "voltage_v", SPEED))
    if min(len(current), len(voltage), len(speed)) < _LEAST_READINGS:
        return None
    mean = float(speed.mean())
    known = _known(uncertainties, SPEED)
    u = np.sqrt((known.gain * mean) ** 2 + known.offset**2 + float(speed.var(ddof=1)) / len(speed))
    return Working(float(current.mean()), float(voltage.mean()), Figure(mean, float(u), "1/min"))


def _mechanical_power(
    run: RunColumns, span: Span, uncertainties: Mapping[str, ChannelUncertainty]
) -> Figure | None:
    """Return the mean of T w; the slower of both channels is taken as straight between its readings."""
    torque, speed = _within(run, TORQUE, span), _within(run, SPEED, span)
    if min(len(torque), len(speed)) < _LEAST_READINGS:
        return None
    t_s = run.t_s[run.rows(span)]
    both = [np.interp(t_s, *run.known(name)) for name in (TORQUE, SPEED)]
    power = both[0] * both[1] * _RAD_PER_S_PER_RPM
    mean = float(power.mean())
    gains = np.hypot(_known(uncertainties, TORQUE).gain, _known(uncertainties, SPEED).gain)
    readings = min(len(torque), len(speed))
    u = float(np.hypot(gains * mean, power.std(ddof=1) / readings**0.5))
    return Figure(mean, u if TORQUE in uncertainties else None, "W") if mean > 0 else None


def _efficiency(
    run: RunColumns, span: Span, power: Figure | None, uncertainties: Mapping[str, ChannelUncertainty]
) -> Figure | None:
    if power is None or not run.has("current_a", "voltage_v"):
        return None
    rows = run.rows(span)
    electrical_w = float(np.nanmean(run.columns["current_a"][rows] * run.columns["voltage_v"][rows]))
    if electrical_w <= 0:
        return None
    value = power.value / electrical_w
    gains = np.hypot(_known(uncertainties, "current_a").gain, _known(uncertainties, "voltage_v").gain)
    u = None if power.u is None else float(value * np.hypot(power.u / power.value, gains))
    return Figure(value, u, "1")


def _per_area(energy: Figure, section_mm2: float | None) -> Figure | None:
    if section_mm2 is None:
        return None
    u = None if energy.u is None else energy.u / section_mm2
    return Figure(energy.value / section_mm2, u, "Wh/mm2")


def _rate(section_mm2: float | None, work: Span | None) -> Figure | None:
    """Return the section over the time from contact to severance, each known to a bin of 20 ms."""
    if section_mm2 is None or work is None or work.duration_s <= 0:
        return None
    rate = section_mm2 / work.duration_s
    return Figure(rate, rate * 0.020 / 6**0.5 / work.duration_s, "mm2/s")


def _difference(
    no_load: Working | None, working: Working | None, uncertainties: Mapping[str, ChannelUncertainty]
) -> Figure | None:
    """Return the slump; the tachometer's gain is the same in both speeds and acts on the difference."""
    if no_load is None or working is None:
        return None
    gain = _known(uncertainties, SPEED).gain
    own = [
        max((speed.u or 0.0) ** 2 - (gain * speed.value) ** 2, 0.0)
        for speed in (no_load.speed, working.speed)
    ]
    value = no_load.speed.value - working.speed.value
    return Figure(value, float(np.sqrt(sum(own) + (gain * value) ** 2)), "1/min")


def _share(slump: Figure | None, no_load: Working | None) -> Figure | None:
    if slump is None or no_load is None or no_load.speed.value <= 0:
        return None
    percent = 100 / no_load.speed.value
    return Figure(slump.value * percent, (slump.u or 0.0) * percent, "%")


def _per_volt(working: Working | None, uncertainties: Mapping[str, ChannelUncertainty]) -> Figure | None:
    if working is None or working.voltage_v <= 0 or working.speed.value <= 0:
        return None
    value = working.speed.value / working.voltage_v
    gain = _known(uncertainties, "voltage_v").gain
    relative = float(np.hypot((working.speed.u or 0.0) / working.speed.value, gain))
    return Figure(value, value * relative, "1/min/V")


def _stall_torque(
    run: RunColumns, cut: Span, uncertainties: Mapping[str, ChannelUncertainty]
) -> tuple[Figure | None, bool]:
    """Return the plateau of the torque while the tool stands under current, and whether it was too short."""
    speed = _within(run, SPEED, cut)
    if not run.has(TORQUE, SPEED) or len(speed) < _LEAST_READINGS:
        return None, False
    t_s = run.t_s[run.rows(cut)]
    stands = np.interp(t_s, *run.known(SPEED)) <= _STANDS * float(np.nanmax(run.columns[SPEED]))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], stands, [False]]).astype(np.int8))).reshape(-1, 2)
    if len(edges) == 0:
        return None, False
    first, end = edges[np.argmax(edges[:, 1] - edges[:, 0])]
    start_s, stop_s = float(t_s[first]), float(t_s[end - 1])
    plateau = _within(run, TORQUE, type(cut)((start_s + stop_s) / 2, stop_s))
    if len(plateau) < _LEAST_READINGS:
        return None, False
    mean = float(np.median(plateau))
    known = uncertainties.get(TORQUE)
    scatter = float(plateau.std(ddof=1)) / len(plateau) ** 0.5
    u = None if known is None else float(np.sqrt((known.gain * mean) ** 2 + known.offset**2 + scatter**2))
    interval_s = run.interval_s * run.divisors.get(TORQUE, 1)
    return Figure(mean, u, "N.m"), stop_s - start_s < _SETTLING_INTERVALS * interval_s
