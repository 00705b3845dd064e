"""How the resistances of a pack may change with the charge drawn within a run: a few smooth forms.

A pack warms, and towards empty its resistance grows, the faster the emptier it is. The share by which it
differs from its mean over the run is taken as a smooth function of the charge drawn: a Gaussian process with
a Matern covariance of order 3/2 over the state of charge (Rasmussen and Williams, Gaussian Processes for
Machine Learning, 2006, eq. 4.17; from memory), and a straight line beside it. Of what they can do together
only the forms that matter are kept, so a short run has one of them and a run from full to empty a dozen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.known_pack import matern

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

#: By how much resistances differ over a run before anything is seen, as a standard deviation: a little from
#: its start to its end by warming, and with the state of charge so much over such a share of the capacity.
#: Common practice, no source.
_WARMING_SHARE: Final = 0.05
_CHARGE_SHARE: Final = 0.3
_ALIKE_OVER: Final = 0.15
#: Forms below this share of a resistance say nothing.
_LEAST_SHARE: Final = 0.012
_KNOT_SPACING: Final = 0.025
_FEWEST_KNOTS: Final = 5
_MOST_KNOTS: Final = 60
_TINY: Final = 1e-6


#: What changes by shares of its own: R0, fast pairs (up to so many seconds) and slow ones. Conduction, charge
#: transfer and diffusion depend on warmth and charge each in its way.
PARTS: Final = 3
_FAST_S: Final = 3.0


def parts_of_pairs(taus_s: Sequence[float]) -> npt.NDArray[np.int64]:
    """Return to which of `PARTS` each pair belongs, 1 or 2 (R0 is 0), by its time constant."""
    return np.where(np.array(taus_s) <= _FAST_S, 1, 2)


@dataclass(frozen=True, slots=True, eq=False)
class DriftForms:
    """Forms of a change with the charge drawn, each with a mean of 0 over the charge of the run.

    `rows` (k, m) are their values at `knots_c` (k, rising, C); each is one standard deviation of what is
    expected, and none depends on another.
    """

    knots_c: Floats
    rows: Floats

    @property
    def count(self) -> int:
        """How many forms there are."""
        return int(self.rows.shape[1])

    def at(self, drawn_c: Floats) -> Floats:
        """Return the forms (n, m) at charges drawn (n), held beyond the run."""
        return np.column_stack([np.interp(drawn_c, self.knots_c, row) for row in self.rows.T])


def drift_forms(run_c: tuple[float, float], capacity_c: float) -> DriftForms:
    """Return the forms for a run between two charges drawn, of a pack of about that capacity."""
    low, high = run_c
    share = (high - low) / capacity_c
    count = int(np.clip(round(share / _KNOT_SPACING) + 1, _FEWEST_KNOTS, _MOST_KNOTS))
    place = np.linspace(-0.5, 0.5, count)
    apart = share * np.abs(place[:, None] - place[None, :])
    covariance = _CHARGE_SHARE**2 * matern(apart, _ALIKE_OVER)
    covariance += _WARMING_SHARE**2 * np.outer(place, place)
    weights = np.full(count, 1.0 / (count - 1))
    weights[[0, -1]] *= 0.5
    centre = np.eye(count) - weights[None, :]
    values, vectors = np.linalg.eigh(centre @ covariance @ centre.T)
    kept = values > count * _LEAST_SHARE**2
    if not kept.any():
        kept[-1] = True
    rows: Floats = np.asarray(vectors[:, kept] * np.sqrt(np.maximum(values[kept], 0.0)), np.float64)
    span_c = max(high - low, _TINY * capacity_c)
    return DriftForms(low + (place + 0.5) * span_c, rows[:, ::-1])
