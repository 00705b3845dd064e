"""Readings at the end of a channel's range, which tell only that the true value lies beyond: left out.

The recording says where channels clipped. An imported run does not: there a current whose topmost value, or a
voltage whose lowest, repeats while all other readings under load differ from one to the next stands at the
end of a range. A current that clipped for a moment is replaced by what the voltage says it was, so that the
pairs behind it get their charge; for longer it is a hole.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.circuit_search import CircuitSearch
from capture.studies.range_top import ends_at_its_top
from capture.studies.relaxation import made_by
from capture.studies.thinning import BRIDGED_S, stretches_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from capture.studies.columns import RunColumns

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

#: A current that its channel reads as nothing at the low end of its range is none: it is at rest.
_IDLE_A: Final = 0.5
#: Rounds of finding a current that clipped, and time constants that stand for all, in s.
_MENDS: Final = 4
_TAUS_S: Final = (0.5, 15.0)


@dataclass(frozen=True, slots=True, eq=False)
class WithinRange:
    """A run without its readings at ends of ranges; `left_out` (n) says at which rows there were any.

    `counts` are how many there were of each column.
    """

    run: RunColumns
    left_out: Flags
    counts: Mapping[str, int]

    def touches(self, start_s: float, end_s: float) -> bool:
        """Return whether a reading was left out between two times."""
        first, last = np.searchsorted(self.run.t_s, [start_s, end_s])
        return bool(self.left_out[first:last].any())

    def in_words(self) -> str | None:
        """Return what was left out in a sentence; None where nothing was."""
        told = [f"{count} of {name}" for name, count in self.counts.items() if count]
        if not told:
            return None
        return f"left out, with the steps through them, are readings at an end of a range: {', '.join(told)}"


def within_range(run: RunColumns) -> WithinRange:
    """Return a run (with current_a and voltage_v) without what stands at the end of a range."""
    current, voltage = run.columns["current_a"], run.columns["voltage_v"]
    at_end = {
        "current_a": _at_end(run, "current_a", current) & ~(np.abs(current) < _IDLE_A),
        "voltage_v": _at_end(run, "voltage_v", -voltage),
    }
    left_out = at_end["current_a"] | at_end["voltage_v"]
    counts = {name: int(rows.sum()) for name, rows in at_end.items()}
    if not left_out.any():
        return WithinRange(run, left_out, counts)
    seen_v = np.where(at_end["voltage_v"], np.nan, voltage)
    columns = {
        **run.columns,
        "current_a": _mended(run, current, seen_v, at_end["current_a"]),
        "voltage_v": np.where(left_out, np.nan, seen_v),
    }
    return WithinRange(replace(run, columns=columns), left_out, counts)


def _at_end(run: RunColumns, name: str, outward: Floats) -> Flags:
    """Return which readings of a column (n) stand at an end; `outward` (n) rises to the end that work meets.

    Of a channel that clips very often a recording has only the first ranges.
    """
    known = run.clipped.get(name)
    if known is not None and not known.any():
        return known
    found = _repeated_top(outward)
    return found if known is None else known | found


def _repeated_top(values: Floats) -> Flags:
    """Return where the topmost value (n) stands that a channel cannot read beyond; nowhere if it can."""
    known = values[~np.isnan(values)]
    if not ends_at_its_top(known):
        return np.zeros(len(values), dtype=bool)
    return np.asarray(values == known.max())


def _mended(run: RunColumns, current: Floats, voltage: Floats, at_end: Flags) -> Floats:
    """Return the current with what the voltage says where it clipped for a moment, NaN where for longer.

    Since the reading before it clipped the voltage has fallen by what R0 and two pairs of about the run's
    resistances make of the current.
    """
    known = np.where(at_end, np.nan, current)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], at_end.astype(np.int8), [0]]))).reshape(-1, 2)
    short = [
        (start, stop)
        for start, stop in edges.tolist()
        if start > 0 and stop < len(current) and run.t_s[stop] - run.t_s[start - 1] <= BRIDGED_S
    ]
    roughly = _roughly(run, np.where(at_end, current, known), np.where(at_end, np.nan, voltage))
    if not short or roughly is None:
        return known
    rows = np.concatenate([np.arange(start, stop) for start, stop in short])
    before = np.repeat([start - 1 for start, _ in short], [stop - start for start, stop in short])
    filled = np.interp(run.t_s, run.t_s[~np.isnan(current)], current[~np.isnan(current)])
    mended = filled.copy()
    for _ in range(_MENDS):
        made_v = made_by(mended, float(np.median(np.diff(run.t_s))), *roughly)
        missing_v = (voltage[before] - voltage[rows]) - (made_v[rows] - made_v[before])
        beyond_a = mended[rows] + np.nan_to_num(missing_v) / roughly[0][0] - filled[rows]
        outward = np.sign(filled[rows])
        mended[rows] = filled[rows] + outward * np.maximum(outward * beyond_a, 0.0)
    known[rows] = np.where(np.isnan(voltage[before] - voltage[rows]), np.nan, mended[rows])
    return known


def _roughly(run: RunColumns, current: Floats, voltage: Floats) -> tuple[Floats, tuple[float, ...]] | None:
    """Return about what R0 and the resistances at two time constants are; None where nothing is told."""
    seen = replace(run, columns={"current_a": current, "voltage_v": voltage})
    stretches = stretches_of(seen)
    if not stretches:
        return None
    ohms, taus_s = CircuitSearch(stretches, None).roughly(_TAUS_S)
    return (ohms, taus_s) if ohms[0] > 0 else None
