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
#: Twice from full to empty: more than any run draws of a pack whose capacity is right.
_MOST_KNOTS: Final = 250
_FEWEST_KNOTS: Final = 25
_TINY: Final = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class OpenCircuitTerms:
    """The open-circuit voltage at a row is base_v + columns @ coefficients.

    `base_v` (n), `columns` (n, k), `priors` (r, k): each row's product with the coefficients is `expected`
    (r) with a standard deviation of 1. Of a known pack the first two coefficients are the changes of the
    start state of charge and of ln C; of an unknown one, the voltage at the start and the change of the
    slope, in shares of the line's fall over the run.
    """

    base_v: Floats
    columns: Floats
    priors: Floats
    expected: Floats

    def with_columns(self, columns: Floats, sds: Floats) -> OpenCircuitTerms:
        """Return the terms with further columns (n, m), their coefficients near 0 to within `sds` (m)."""
        return OpenCircuitTerms(
            self.base_v,
            np.hstack([self.columns, columns]),
            _block_diagonal(self.priors, np.diag(1.0 / sds)),
            np.concatenate([self.expected, np.zeros(len(sds))]),
        )


def known_terms(
    pack: KnownPack, start_soc: float, ln_capacity: float, drawn_c: Floats, knots_c: Floats
) -> OpenCircuitTerms:
    """Return the terms of a known pack around a start state of charge and ln of its capacity over its rating.

    `drawn_c` (n) is the charge drawn at each row; `knots_c` where the deviation of the curve has its knots.
    """
    capacity_c = pack.capacity_c * np.exp(ln_capacity)
    hats = _hats(drawn_c, knots_c)

    def volts_and_slopes(at_c: Floats) -> tuple[Floats, Floats, Floats]:
        soc = start_soc - at_c / capacity_c
        slope_v = pack.series * pack.curve.slope(soc)
        return pack.series * pack.curve.volts(soc), slope_v, slope_v * at_c / capacity_c

    within_c = np.clip(drawn_c, knots_c[0], knots_c[-1])
    at_knots, beyond = volts_and_slopes(knots_c), volts_and_slopes(drawn_c)
    open_v, by_soc, by_ln_capacity = (
        hats @ knots + behind - end
        for knots, behind, end in zip(at_knots, beyond, volts_and_slopes(within_c), strict=True)
    )
    at = start_soc - knots_c / capacity_c
    sd_v = pack.series * pack.curve.u_volts(at)
    covariance = alike_at(_apart(at)) * np.outer(sd_v, sd_v) + (pack.u_scale * open_v.mean()) ** 2
    priors = _block_diagonal(np.diag([1 / START_SOC_SD, 1 / CAPACITY_LN_SD]), _whitening(covariance))
    expected = np.zeros(len(priors))
    expected[1] = -ln_capacity / CAPACITY_LN_SD
    return OpenCircuitTerms(open_v, np.column_stack([by_soc, by_ln_capacity, hats]), priors, expected)


def knots_of(capacity_c: float, run_c: tuple[float, float]) -> Floats:
    """Return the charges at which the deviation from what is known has its knots, over those of a run."""
    low, high = run_c
    count = min(_MOST_KNOTS, max(_FEWEST_KNOTS, int((high - low) / (capacity_c * _KNOT_SPACING))))
    return np.linspace(low, max(high, low + _TINY * capacity_c), count)


def knots_beyond(knots_c: Floats, empty_c: float, capacity_c: float) -> Floats:
    """Return the knots with further ones, wider apart, to where a pack is empty: there the prior alone speaks."""
    count = min(_MOST_KNOTS, int(np.ceil((empty_c - knots_c[-1]) / (capacity_c * _BEYOND_SPACING))))
    if count <= 0:
        return knots_c
    return np.concatenate([knots_c, np.linspace(knots_c[-1], empty_c, count + 1)[1:]])


def unknown_terms(
    drawn_c: Floats, run_c: tuple[float, float], start_v: float, load_a: float
) -> OpenCircuitTerms:
    """Return the terms of a pack of which nothing is known but its first voltage and its load.

    `run_c` is the least and the most charge drawn in the run, `drawn_c` (n) that at each row.
    """
    capacity_c = max(load_a, _TINY) * COULOMB_PER_AH / _LOAD_PER_HOUR
    knots_c = knots_of(capacity_c, run_c)
    low, span_c = float(knots_c[0]), float(np.ptp(knots_c))
    fall_v = _FALL_SHARE * start_v * span_c / capacity_c
    share = (drawn_c - low) / span_c
    columns = np.column_stack([np.ones_like(share), -fall_v * share, _hats(drawn_c, knots_c)])
    bend = _whitening(matern(_apart(knots_c) / span_c, _BEND_OVER) * (_BEND_SHARE * fall_v) ** 2)
    priors = _block_diagonal(np.diag([1 / (_START_V_SHARE * start_v), 1.0]), bend)
    return OpenCircuitTerms(start_v - fall_v * share, columns, priors, np.zeros(len(priors)))


def _hats(at: Floats, knots: Floats) -> Floats:
    """Return (n, k) values of the broken lines that are 1 at one knot and 0 at the others, held beyond."""
    return np.column_stack([np.interp(at, knots, row) for row in np.eye(len(knots))])


def _apart(at: Floats) -> Floats:
    return at[:, None] - at[None, :]


def _whitening(covariance: Floats) -> Floats:
    """Return the matrix whose product with a vector of that covariance has unit variances."""
    jitter = _TINY * float(np.trace(covariance)) / len(covariance)
    root = np.linalg.cholesky(covariance + jitter * np.eye(len(covariance)))
    return np.linalg.inv(root)


def _block_diagonal(first: Floats, second: Floats) -> Floats:
    rows, columns = first.shape
    whole = np.zeros((rows + second.shape[0], columns + second.shape[1]))
    whole[:rows, :columns] = first
    whole[rows:, columns:] = second
    return whole
