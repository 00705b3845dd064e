"""Resistance and work of a run in words, as the command line and the screen say it. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.quantities import Figure
from capture.studies.press_figures import PressFigures
from tui.formatting import plain, plus_minus

if TYPE_CHECKING:
    from capture.studies.motor_line import MotorLine, SpeedChange
    from capture.studies.typed_measures import TypedMeasure
    from capture.studies.work_figures import CutWork


def cut_words(cut: CutWork) -> list[str]:
    """Return the figures that a cut has."""
    press = cut.press or PressFigures()
    told = (
        ("mechanical power", cut.mechanical_power, 0, "W"),
        ("efficiency", cut.efficiency, 3, ""),
        ("energy for each mm²", cut.energy_per_mm2, 6, "Wh"),
        ("cutting rate", cut.cutting_rate, 1, "mm²/s"),
        ("no-load speed", None if cut.no_load is None else cut.no_load.speed, 0, "rpm"),
        ("working speed", None if cut.working is None else cut.working.speed, 0, "rpm"),
        ("speed slump", cut.slump, 0, "rpm"),
        ("speed for each volt", cut.speed_per_volt, 1, "rpm/V"),
        ("stall torque", cut.stall_torque, 2, "N·m"),
        ("force at the end", press.force_at_end, 0, "N"),
        ("highest force", press.peak_force, 0, "N"),
        ("pressure at the end", _mega(press.pressure_at_end), 3, "MPa"),
        ("time to the threshold", press.time_to_threshold, 3, "s"),
    )
    return [
        f"{name} {figure_words(figure, decimals)} {unit}".rstrip()
        for name, figure, decimals, unit in told
        if figure is not None
    ]


def typed_words(measure: TypedMeasure) -> str:
    """Return what was read from a gauge: its mean, how often, and in which cuts."""
    figure = measure.figure
    value = f"{figure.value:g}" if figure.u is None else figure_words(figure, 0)
    cuts = ", ".join(str(cut) for cut in measure.cuts if cut is not None)
    often = "once" if measure.readings == 1 else f"{measure.readings} times"
    where = f", cut {cuts}" if cuts else ""
    unit = "" if figure.unit == "1" else f" {plain(figure.unit)}"
    return f"{plain(measure.quantity)} {value}{unit}, read {often}{where}"


def line_words(line: MotorLine | str) -> str:
    """Return a motor's line, or why there is none."""
    if isinstance(line, str):
        return f"motor line: cannot tell, {line}"
    return (
        f"motor line: {figure_words(line.speed_per_volt, 1)} rpm/V, {figure_words(line.ohm, 4)} Ω from the "
        f"terminals on, left over {line.left_rpm:.0f} rpm"
    )


def change_words(change: SpeedChange) -> str:
    """Return what made two speeds differ."""
    parts = [("voltage", change.by_voltage), ("load", change.by_load), ("left over", change.left)]
    split = ", ".join(f"{name} {figure_words(figure, 0)}" for name, figure in parts if figure is not None)
    return f"{figure_words(change.change, 0)} rpm{f' ({split})' if split else ''}: {change.says}"


def over_charge_words(first_ah: float, last_ah: float) -> str:
    """Return over which charge drawn the means of a run go."""
    return f"means over {first_ah + 0.0:.2f} to {last_ah:.2f} Ah drawn"


def figure_words(figure: Figure | None, decimals: int) -> str:
    """Return a figure without its unit."""
    return "cannot tell" if figure is None else plus_minus(figure.value, figure.u, decimals)


def _mega(figure: Figure | None) -> Figure | None:
    if figure is None:
        return None
    return Figure(figure.value * 1e-6, None if figure.u is None else figure.u * 1e-6, f"M{figure.unit}")
