"""What is known of a pack's open-circuit voltage before any fit: its curve, groups, capacity, and how well.

How far a pack lies from its chemistry's curve is taken as a smooth deviation, a Gaussian process with
Matern covariances of order 3/2 (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, eq.
4.17; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.open_circuit import default_curve
from capture.quantities import COULOMB_PER_AH

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.open_circuit import OpenCircuitCurve
    from capture.run_card import RunCard
    from capture.uncertainty.channels import ChannelUncertainty

    Floats = npt.NDArray[np.float64]

#: Over how much charge a pack's deviation from its curve stays alike, and the share of its variance: its
#: height, and its steps and plateaus, which the published curves of one chemistry have at different states
#: of charge. Common practice, no source.
DEVIATION: Final = ((0.15, 0.8), (0.05, 0.2))
#: How far a pack's capacity may lie from what it is rated for: tolerance, age and rate together, as the
#: standard deviation of its logarithm. Common practice, no source.
CAPACITY_LN_SD: Final = 0.1


@dataclass(frozen=True, slots=True)
class KnownPack:
    """What is known of a pack: its curve, groups in series and capacity, and how well the logger reads volts.

    `u_scale` is the relative standard uncertainty of the voltage, an error that looks like one of the curve.
    """

    curve: OpenCircuitCurve
    series: int
    capacity_c: float
    u_scale: float


def known_pack(
    card: RunCard, volts: ChannelUncertainty, curve: OpenCircuitCurve | None = None
) -> KnownPack | None:
    """Return what a card tells of the pack; None where curve, series or capacity are missing.

    `curve` is the pack's own where one was learnt, else its chemistry's is taken; `volts` is how well the
    pack's voltage is known.
    """
    taken = curve or default_curve(card.chemistry)
    if taken is None or card.series is None or card.capacity_ah is None:
        return None
    u_scale = float(np.hypot(volts.gain, volts.offset / (card.series * float(taken.group_v.mean()))))
    return KnownPack(taken, card.series, card.capacity_ah * COULOMB_PER_AH, u_scale)


def alike_at(distance: Floats) -> Floats:
    """Return how alike the deviation from the curve is (1 is the same) so much state of charge apart."""
    alike: Floats = np.sum([share * matern(distance, over) for over, share in DEVIATION], axis=0)
    return alike


def matern(distance: Floats, over: float) -> Floats:
    """Return the Matern covariance of order 3/2 with variance 1 and length `over` at distances."""
    scaled = np.sqrt(3.0) * np.abs(distance) / over
    alike: Floats = (1.0 + scaled) * np.exp(-scaled)
    return alike
