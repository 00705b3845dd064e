"""By how much the open-circuit voltage falls along a run, from what is known of the pack and without a fit.

The fall with the charge drawn is no part of a resistance: whoever reads one from a pulse takes it away first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.known_pack import CAPACITY_LN_SD, alike_at, known_pack
from capture.uncertainty.channels import HOBBY_DIVIDER

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from capture.open_circuit import OpenCircuitCurve
    from capture.run_card import RunCard
    from capture.studies.columns import RunColumns
    from capture.studies.known_pack import KnownPack
    from capture.uncertainty.channels import ChannelUncertainty

    Floats = npt.NDArray[np.float64]

_IDLE_A: Final = 0.5
#: Without a rest this long at the start nobody can say how full the pack was.
_LEAST_REST_S: Final = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class OpenCircuitAlong:
    """By how much the open-circuit voltage of a pack lies below that at the start, in V, at each row (n).

    `u_v` (n) is its standard uncertainty; `source` says whose curve was taken. Charge that went unseen in
    gaps is not in it.
    """

    fall_v: Floats
    u_v: Floats
    source: str


def open_circuit_fall(
    run: RunColumns,
    card: RunCard,
    uncertainties: Mapping[str, ChannelUncertainty] | None = None,
    *,
    curve: OpenCircuitCurve | None = None,
) -> OpenCircuitAlong | None:
    """Return the fall along the run; None without both channels, series, capacity, curve or a first rest.

    n (U(z) - U(z - q/C)): z from the mean voltage of the rest that the run begins with, q the trapezoid sum
    of the current. Uncertain are z, C, and the curve's deviation between the two states of charge.
    """
    if not run.has("current_a", "voltage_v"):
        return None
    volts = (uncertainties or {}).get("voltage_v", HOBBY_DIVIDER)
    pack = known_pack(card, volts, curve)
    rest_v = _first_rest_v(run)
    if pack is None or rest_v is None:
        return None
    return _along(pack, rest_v, _drawn_c(run))


def _first_rest_v(run: RunColumns) -> float | None:
    """Return the mean voltage before the first load; None where the run does not begin with a rest."""
    current, voltage = run.columns["current_a"], run.columns["voltage_v"]
    loaded = np.flatnonzero(np.abs(current) >= _IDLE_A)
    before = int(loaded[0]) if len(loaded) else len(run)
    if np.isnan(current).all() or before == 0 or run.t_s[before - 1] - run.t_s[0] < _LEAST_REST_S:
        return None
    readings = voltage[:before][~np.isnan(voltage[:before])]
    return float(readings.mean()) if len(readings) else None


def _drawn_c(run: RunColumns) -> Floats:
    """Return the charge drawn up to each row in C; nothing is added over a gap."""
    times, current = run.known("current_a")
    steps = np.diff(times)
    if len(run.breaks):
        behind = np.searchsorted(times, run.t_s[run.breaks])
        steps[behind[(behind > 0) & (behind < len(times))] - 1] = 0.0
    drawn_c: Floats = np.concatenate([[0.0], np.cumsum((current[1:] + current[:-1]) * 0.5 * steps)])
    return np.interp(run.t_s, times, drawn_c)


def _along(pack: KnownPack, rest_v: float, drawn_c: Floats) -> OpenCircuitAlong:
    curve, series = pack.curve, pack.series
    start = curve.soc(np.array([rest_v / series]))
    soc = start - drawn_c / pack.capacity_c
    fall_v = series * (curve.volts(start) - curve.volts(soc))
    u_start = np.hypot(curve.u_volts(start), pack.u_scale * rest_v / series) / curve.slope(start)
    from_start = series * (curve.slope(start) - curve.slope(soc)) * u_start
    from_capacity = series * curve.slope(soc) * drawn_c / pack.capacity_c * CAPACITY_LN_SD
    unlike = np.maximum(1.0 - alike_at(soc - start), 0.0)
    from_curve = series * curve.u_volts(soc) * np.sqrt(2.0 * unlike)
    u_v: Floats = np.sqrt(from_start**2 + from_capacity**2 + from_curve**2)
    return OpenCircuitAlong(fall_v, u_v, curve.source)
