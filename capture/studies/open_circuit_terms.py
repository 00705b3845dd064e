"""The open-circuit voltage of a pack in a fit: what is known of it, and how far it may lie from that.

Known pack: n U(z - q/C), n groups in series, U the curve, z the state of charge at the start, q the charge
drawn, C the capacity. U, z and C are all uncertain, so small changes of z and of ln C are terms of the fit,
and a smooth deviation of the curve (a Gaussian process with a Matern covariance of order 3/2; Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, eq. 4.17; from memory).

Unknown pack: a straight line in q whose slope is that of a pack whose capacity its load tells roughly,
known to no better than its own size, and a bend of that size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.quantities import COULOMB_PER_AH
from capture.studies.known_pack import CAPACITY_LN_SD, alike_at, matern

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.studies.known_pack import KnownPack

    Floats = npt.NDArray[np.float64]

#: What the voltage at the start tells of the state of charge is left to the fit.
START_SOC_SD: Final = 0.3
#: An unknown pack: cordless tools load their packs with up to about ten times the capacity per hour, and a
#: group (of about 3.7 V) falls by about 1 V from full to empty. Common practice, no source.
_LOAD_PER_HOUR: Final = 10.0
_FALL_SHARE: Final = 1.0 / 3.7
_BEND_OVER: Final = 0.5
_BEND_SHARE: Final = 0.5
_START_V_SHARE: Final = 0.2
#: All of a known pack's terms are broken lines between knots so far apart: no kink of the table is finer
#: than what the deviation can be, or the fit would tell the state of charge by it.
_KNOT_SPACING: Final = 0.004
_BEYOND_SPACING: Final = 0.02
_MOST_KNOTS: Final = 150
_FEWEST_KNOTS: Final = 25
_TINY: Final = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class OpenCircuitTerms:
    """The open-circuit voltage at a row is base_v + columns @ coefficients.

    `base_v` (n) and `columns` (n, k) in V. Each coefficient is one standard deviation of what is known
    before: they are expected to be `expected` (k) with a standard deviation of 1, independent of each
    other. Of a known pack the first two are the changes of the start state of charge (in START_SOC_SD) and
    of ln C (in CAPACITY_LN_SD).
    """

    base_v: Floats
    columns: Floats
    expected: Floats

    def with_columns(self, columns: Floats) -> OpenCircuitTerms:
        """Return the terms with further columns (n, m), each what one standard deviation makes in V."""
        expected = np.concatenate([self.expected, np.zeros(columns.shape[1])])
        return OpenCircuitTerms(self.base_v, np.hstack([self.columns, columns]), expected)


def known_terms(
    pack: KnownPack, start_soc: float, ln_capacity: float, drawn_c: Floats, knots_c: Floats
) -> OpenCircuitTerms:
    """Return the terms of a known pack around a start state of charge and ln of its capacity over its rating.

    `drawn_c` (n) is the charge drawn at each row; `knots_c` where the deviation of the curve has its knots.
    """
    capacity_c = pack.capacity_c * np.exp(ln_capacity)

    def volts_and_changes(at_c: Floats) -> Floats:
        soc = start_soc - at_c / capacity_c
        by_soc = pack.series * pack.curve.slope(soc)
        by_ln_capacity = by_soc * at_c / capacity_c
        return np.column_stack(
            [
                pack.series * pack.curve.volts(soc),
                START_SOC_SD * by_soc,
                CAPACITY_LN_SD * by_ln_capacity,
            ]
        )

    at_knots = volts_and_changes(knots_c)
    beyond = volts_and_changes(drawn_c) - volts_and_changes(np.clip(drawn_c, knots_c[0], knots_c[-1]))
    at = start_soc - knots_c / capacity_c
    sd_v = pack.series * pack.curve.u_volts(at)
    covariance = alike_at(_apart(at)) * np.outer(sd_v, sd_v) + (pack.u_scale * at_knots[:, 0].mean()) ** 2
    laid = _between(drawn_c, knots_c, np.hstack([at_knots, _root(covariance)]))
    laid[:, :3] += beyond
    expected = np.zeros(laid.shape[1] - 1)
    expected[1] = -ln_capacity / CAPACITY_LN_SD
    return OpenCircuitTerms(laid[:, 0], laid[:, 1:], expected)


def knots_of(capacity_c: float, run_c: tuple[float, float]) -> Floats:
    """Return the charges at which the deviation from what is known has its knots, over those of a run."""
    low, high = run_c
    count = min(_MOST_KNOTS, max(_FEWEST_KNOTS, int((high - low) / (capacity_c * _KNOT_SPACING))))
    return np.linspace(low, max(high, low + _TINY * capacity_c), count)


def knots_beyond(knots_c: Floats, empty_c: float, capacity_c: float) -> Floats:
    """Return the knots with further ones, wider apart, to where a pack is empty: nothing is seen there."""
    count = min(_MOST_KNOTS, int(np.ceil((empty_c - knots_c[-1]) / (capacity_c * _BEYOND_SPACING))))
    if count <= 0:
        return knots_c
    return np.concatenate([knots_c, np.linspace(knots_c[-1], empty_c, count + 1)[1:]])


def guessed_capacity_c(load_a: float) -> float:
    """Return what a pack holds of which only its load is known."""
    return max(load_a, _TINY) * COULOMB_PER_AH / _LOAD_PER_HOUR


def unknown_terms(
    drawn_c: Floats, run_c: tuple[float, float], start_v: float, load_a: float
) -> OpenCircuitTerms:
    """Return the terms of a pack of which nothing is known but its first voltage and its load.

    `run_c` is the least and the most charge drawn in the run, `drawn_c` (n) that at each row.
    """
    capacity_c = guessed_capacity_c(load_a)
    knots_c = knots_of(capacity_c, run_c)
    low, span_c = float(knots_c[0]), float(np.ptp(knots_c))
    fall_v = _FALL_SHARE * start_v * span_c / capacity_c
    share = (drawn_c - low) / span_c
    bend = _root(matern(_apart(knots_c) / span_c, _BEND_OVER)) * (_BEND_SHARE * fall_v)
    start = np.full_like(share, _START_V_SHARE * start_v)
    columns = np.column_stack([start, -fall_v * share, _between(drawn_c, knots_c, bend)])
    return OpenCircuitTerms(start_v - fall_v * share, columns, np.zeros(columns.shape[1]))


def _between(at: Floats, knots: Floats, rows: Floats) -> Floats:
    """Return (n, k) values on the straight lines between rows (m, k) that stand at knots (m), held beyond."""
    place = np.clip(np.searchsorted(knots, at, "right") - 1, 0, len(knots) - 2)
    share = np.clip((at - knots[place]) / (knots[place + 1] - knots[place]), 0.0, 1.0)[:, None]
    values: Floats = rows[place] * (1.0 - share) + rows[place + 1] * share
    return values


def _apart(at: Floats) -> Floats:
    return at[:, None] - at[None, :]


def _root(covariance: Floats) -> Floats:
    """Return the matrix that makes deviations of that covariance of independent ones of variance 1."""
    jitter = _TINY * float(np.trace(covariance)) / len(covariance)
    root: Floats = np.asarray(np.linalg.cholesky(covariance + jitter * np.eye(len(covariance))), np.float64)
    return root
