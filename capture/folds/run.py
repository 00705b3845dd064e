"""All folds of a run side by side, fed from one stream of blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capture.quantities import Figure


@dataclass(frozen=True, slots=True)
class RunFigures:
    """The figures of a run so far; None for what cannot be told from its channels.

    `charge` and `energy` are net (discharged minus returned), in Ah and Wh at the point where the voltage is
    sensed; `rest_voltage` is the one before the first load, in V, `rested_s` how long the recording saw it
    rest; `peak_current`, `peak_power` and `minimum_voltage` are of single samples; `drop_from_rest` is rest
    voltage minus minimum voltage.
    """

    duration_s: float
    samples: int
    charge: Figure | None
    charge_discharged: Figure | None
    charge_returned: Figure | None
    energy: Figure | None
    energy_discharged: Figure | None
    energy_returned: Figure | None
    peak_current: Figure | None
    peak_power: Figure | None
    minimum_voltage: Figure | None
    rest_voltage: Figure | None
    rested_s: float | None
    drop_from_rest: Figure | None
    cuts: int | None
