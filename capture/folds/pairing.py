"""How voltage and current move together: sums of products of their changes from sample to sample.

Whatever a pack does, its voltage falls when more current is drawn, at once. So the products of changes tell
the ohmic resistance, whether the current was wired the wrong way round, and whether one of both channels
lags behind the other by whole samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.seam import Seam, behind, joins

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

    Floats = npt.NDArray[np.float64]

#: So many samples earlier or later the other channel is looked at.
LAGS: Final = 2
_NO_CHANGES: Final = ((0.0, 0.0),) * LAGS


@dataclass(frozen=True, slots=True)
class Pairing:
    """Sums over the changes dV, dI between neighbouring samples.

    `products` (2 LAGS + 1) are the sums of dV[k] dI[k - lag] for lags -LAGS to LAGS: positive lags mean that
    the voltage follows later. `squares_a2`, `squares_v2` are the sums of squares, `volt_amperes` that of mean
    V times dI. `latest` is the last sample (V, I), `latest_changes` the LAGS latest changes (dV, dI).
    """

    products: tuple[float, ...] = (0.0,) * (2 * LAGS + 1)
    squares_a2: float = 0.0
    squares_v2: float = 0.0
    volt_amperes: float = 0.0
    changes: int = 0
    latest: tuple[float, ...] | None = None
    latest_changes: tuple[tuple[float, ...], ...] = _NO_CHANGES
    seam: Seam | None = None

    def product(self, lag: int = 0) -> float:
        """Return the sum of dV dI, in V A, the voltage's changes taken `lag` samples later."""
        return self.products[lag + LAGS]

    def correlation(self, lag: int = 0) -> float | None:
        """Return the correlation (-1 to 1) of the changes, the voltage's `lag` samples later."""
        size = math.sqrt(self.squares_a2 * self.squares_v2)
        return self.product(lag) / size if size > 0 else None

    @property
    def resistance_ohm(self) -> float:
        """Least-squares slope -dV/dI through the origin, at least 0; noise of the current makes it small."""
        slope = -self.product() / self.squares_a2 if self.squares_a2 > 0 else 0.0
        return max(slope, 0.0)

    @property
    def root_mean_square_a(self) -> float:
        """Root mean square change of the current from one sample to the next."""
        return math.sqrt(self.squares_a2 / self.changes) if self.changes else 0.0


def update(state: Pairing, block: SampleBlock) -> Pairing:
    """Return the state after `block`, which needs the columns current_a and voltage_v."""
    current = block.columns["current_a"].astype(np.float64)
    voltage = block.columns["voltage_v"].astype(np.float64)
    rows = np.flatnonzero(~np.isnan(current) & ~np.isnan(voltage))
    joined = joins(state.seam, block)
    latest = state.latest if joined else None
    before = state.latest_changes if joined else _NO_CHANGES
    line = np.column_stack([voltage[rows], current[rows]])
    if latest is not None:
        line = np.concatenate([[latest], line])
    changes = np.diff(line, axis=0)
    both = np.concatenate([before, changes])
    middle = (line[1:, 0] + line[:-1, 0]) * 0.5
    return Pairing(
        tuple(total + more for total, more in zip(state.products, _lagged(both), strict=True)),
        state.squares_a2 + float(changes[:, 1] @ changes[:, 1]),
        state.squares_v2 + float(changes[:, 0] @ changes[:, 0]),
        state.volt_amperes + float(middle @ changes[:, 1]),
        state.changes + len(changes),
        tuple(line[-1].tolist()) if len(line) else latest,
        tuple(tuple(change) for change in both[-LAGS:].tolist()),
        behind(block),
    )


def _lagged(both: Floats) -> list[float]:
    """Return the sums of products for all lags; each pair counts where its later change is a new one."""
    volts, amperes = both[:, 0], both[:, 1]
    count = len(both) - LAGS
    sums = np.empty(2 * LAGS + 1)
    for lag in range(LAGS + 1):
        earlier = slice(LAGS - lag, LAGS - lag + count)
        sums[LAGS + lag] = volts[LAGS:] @ amperes[earlier]
        sums[LAGS - lag] = amperes[LAGS:] @ volts[earlier]
    return [float(one) for one in sums]
