"""What a press or a ram gave: force at the end, its peak, and when it reached a threshold.

Force is that of a load cell, else p A of the pressure in the cylinder and the piston's area (the seal's
friction, a few percent, is not in it; the area counts as exact). A motor that stalls against a relief valve
goes on drawing: the end is where the current goes, and the force there is the straight line through the last
readings, since a mean over a rising force would be that of an earlier moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.quantities import M2_PER_MM2, Figure
from capture.uncertainty.gum import root_sum_square

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from capture.run_card import RunCard
    from capture.studies.columns import RunColumns, Span
    from capture.uncertainty.channels import ChannelUncertainty

    Floats = npt.NDArray[np.float64]

FORCE: Final = "force_n"
PRESSURE: Final = "pressure_pa"
#: The line at the end lies over so much time, or over so many readings where they come slower.
_END_OVER_S: Final = 0.25
_FEWEST_READINGS: Final = 3
_FEWEST_OF_A_LINE: Final = 5
_LASTS_READINGS: Final = 3
#: The line through a threshold lies over so much time on either side, the first that tells its slope.
_REACHES_S: Final = (0.05, 0.1, 0.2, 0.4)
#: By so many standard uncertainties a slope must differ from none to be told.
_TOLD: Final = 5.0


@dataclass(frozen=True, slots=True)
class PressFigures:
    """A press in figures, None where the channels or the card do not tell them; `says` is why."""

    force_at_end: Figure | None = None
    peak_force: Figure | None = None
    pressure_at_end: Figure | None = None
    time_to_threshold: Figure | None = None
    says: tuple[str, ...] = ()


def press_figures(
    run: RunColumns, load: Span, card: RunCard, uncertainties: Mapping[str, ChannelUncertainty]
) -> PressFigures:
    """Return what the press of one `load` gave, the stretch in which the tool drew its current."""
    says: list[str] = []
    pressure = _Series.of(run, load, PRESSURE, uncertainties.get(PRESSURE), "Pa")
    force = _Series.of(run, load, FORCE, uncertainties.get(FORCE), "N")
    if force is None and pressure is not None:
        if card.piston_area_mm2 is None:
            says.append("give the piston's area (piston_area_mm2 on the run card) to have the force")
        else:
            force = pressure.times(card.piston_area_mm2 * M2_PER_MM2, "N")
    reached = None
    if force is not None and card.force_threshold_n is not None:
        reached = force.reaches(card.force_threshold_n, load.start_s)
        if reached is None:
            most_n = force.peak().value
            says.append(
                f"the force never stayed at {card.force_threshold_n:g} N: its most was {most_n:.0f} N"
            )
    return PressFigures(
        None if force is None else force.at_end(load.end_s),
        None if force is None else force.peak(),
        None if pressure is None else pressure.at_end(load.end_s),
        reached,
        tuple(says),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    """Readings of one channel under a load: times (n, s), values (n), what is known of the channel."""

    t_s: Floats
    values: Floats
    known: ChannelUncertainty | None
    factor: float
    unit: str

    @classmethod
    def of(
        cls, run: RunColumns, load: Span, column: str, known: ChannelUncertainty | None, unit: str
    ) -> _Series | None:
        if not run.has(column):
            return None
        rows = run.rows(load)
        readings = run.columns[column][rows]
        there = ~np.isnan(readings)
        if there.sum() < _FEWEST_READINGS:
            return None
        return cls(run.t_s[rows][there], readings[there], known, 1.0, unit)

    def times(self, factor: float, unit: str) -> _Series:
        """Return the series in another unit."""
        return _Series(self.t_s, self.values * factor, self.known, factor, unit)

    def at_end(self, end_s: float) -> Figure:
        """Return the value at a moment, by the line through the last readings before it (u: GUM H.3)."""
        count = min(max(int(np.sum(self.t_s > end_s - _END_OVER_S)), _FEWEST_OF_A_LINE), len(self.t_s))
        since_s, values = self.t_s[-count:] - end_s, self.values[-count:]
        design = np.column_stack([np.ones(count), since_s])
        (value, slope), *_ = np.linalg.lstsq(design, values, rcond=None)
        left = values - design @ (value, slope)
        variance = max(float(left @ left) / max(count - 2, 1), self._single() ** 2)
        u_line = float(np.sqrt(variance * np.linalg.inv(design.T @ design)[0, 0]))
        return self._figure(float(value), u_line)

    def peak(self) -> Figure:
        """Return the highest median of three readings: a single spike is no force."""
        return self._figure(float(self._without_spikes().max()), self._single())

    def reaches(self, threshold: float, start_s: float) -> Figure | None:
        """Return the seconds from the start until the value reaches a threshold and stays; None if never.

        It is where the line through the readings about that moment passes the threshold; u takes the line's
        own, the channel's error over its slope, and an interval as a rectangle. Where the value creeps so
        slowly that the line may be level, no u can be given.
        """
        above = self._without_spikes() >= threshold
        lasting = np.convolve(above, np.ones(_LASTS_READINGS), "valid") == _LASTS_READINGS
        if not lasting.any():
            return None
        at = int(np.argmax(lasting))
        if at == 0:
            return Figure(max(float(self.t_s[0]) - start_s, 0.0), self._interval_s(), "s")
        line = self._line_about(at)
        if line is None:
            return Figure(float(self.t_s[at]) - start_s, None, "s")
        value, slope, u_line = line
        own = 0.0 if self.known is None else self.known.common(threshold, self.factor)
        u_s = root_sum_square(u_line / slope, own / slope, self._interval_s() / 12**0.5)
        return Figure(max(float(self.t_s[at]) + (threshold - value) / slope - start_s, 0.0), u_s, "s")

    def _line_about(self, at: int) -> tuple[float, float, float] | None:
        """Return the line about a reading: its value there, its slope, u of the value; None if it is level.

        It reaches no farther to both sides than it must for its slope to be told.
        """
        for reach_s in _REACHES_S:
            first, end = np.searchsorted(self.t_s, [self.t_s[at] - reach_s, self.t_s[at] + reach_s])
            rows = slice(max(min(int(first), at - _LASTS_READINGS), 0), max(int(end), at + _LASTS_READINGS))
            since_s = self.t_s[rows] - self.t_s[at]
            (slope, value), covariance = np.polyfit(since_s, self.values[rows], 1, cov=True)
            u_slope, u_value = np.sqrt(np.diag(covariance))
            if slope > _TOLD * u_slope:
                return float(value), float(slope), float(u_value)
        return None

    def _without_spikes(self) -> Floats:
        padded = np.concatenate([self.values[:1], self.values, self.values[-1:]])
        return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 3), axis=1))

    def _interval_s(self) -> float:
        return float(np.median(np.diff(self.t_s)))

    def _single(self) -> float:
        return 0.0 if self.known is None else self.known.single * self.factor

    def _figure(self, value: float, u_random: float) -> Figure:
        if self.known is None:
            return Figure(value, None, self.unit)
        return Figure(value, float(np.hypot(self.known.common(value, self.factor), u_random)), self.unit)
