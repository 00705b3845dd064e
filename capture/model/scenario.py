"""A scenario: the few choices that fully determine a life of the virtual rig."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.model.pack import FAST, OHMIC, SLOW
from capture.model.stops import CONDITIONS, Condition, StopCause
from capture.model.work import WorkKind

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from capture.model.load_bank import Duty
    from capture.model.pack import Pack

#: Relative spread of groups that left the maker together, one standard deviation; common practice, no source.
CAPACITY_SPREAD: Final = 0.008
RESISTANCE_SPREAD: Final = 0.03
CHARGE_SPREAD: Final = 0.003


@dataclass(frozen=True, slots=True)
class Imperfection:
    """What is wrong with a sensor: it reads true * (1 + gain) + offset, offset in the channel's unit."""

    gain: float = 0.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """The groups of one pack, from the negative end; arrays have one entry a group.

    `resistance_ohm` is a group's whole at 25 degC without `extra_ohm`, which is ohmic and does not change
    with temperature (a bad weld). `odd` is the group that a fault strikes.
    """

    capacity_ah: npt.NDArray[np.float64]
    charge: npt.NDArray[np.float64]
    resistance_ohm: npt.NDArray[np.float64]
    extra_ohm: npt.NDArray[np.float64]
    odd: int

    def resistances(self, temperature_degc: float) -> tuple[npt.NDArray[np.float64], ...]:
        """Return R0, R1 (with FAST.time_s) and R2 (with SLOW.time_s) of each group at a temperature."""
        ohmic, fast, slow = (
            self.resistance_ohm * (share.part * share.warmth(temperature_degc))
            for share in (OHMIC, FAST, SLOW)
        )
        return ohmic + self.extra_ohm, fast, slow


@dataclass(frozen=True, slots=True)
class Scenario:
    """Pack, seed, work, fault and surroundings; `charge` (0 to 1) and `ambient_degc` override the fault's.

    With a `bank` a load bank hangs on the pack in place of the tool, and its duty is the work.
    """

    pack: Pack
    seed: int
    work: WorkKind = WorkKind.CUTS
    fault: StopCause = StopCause.NONE
    charge: float | None = None
    ambient_degc: float | None = None
    imperfections: Mapping[str, Imperfection] = field(default_factory=dict)
    bank: Duty | None = None

    @property
    def condition(self) -> Condition:
        """The state in which pack, tool and operator begin."""
        condition = CONDITIONS[self.fault]
        if self.charge is not None:
            condition = replace(condition, charge=self.charge)
        if self.ambient_degc is not None:
            condition = replace(condition, ambient_degc=self.ambient_degc)
        return condition

    def random(self, *, stream: str) -> np.random.Generator:
        """Return the stream of chance for one purpose; no purpose disturbs another."""
        return np.random.default_rng([self.seed, *stream.encode()])

    def groups(self) -> Groups:
        """Return the true groups of this pack."""
        condition, random, count = self.condition, self.random(stream="groups"), self.pack.series
        capacity = self.pack.capacity_ah * (1 + CAPACITY_SPREAD * random.standard_normal(count))
        whole_ohm = max(self.pack.resistance_ohm, condition.resistance_ohm)
        resistance = whole_ohm / count * (1 + RESISTANCE_SPREAD * random.standard_normal(count))
        charge = condition.charge - CHARGE_SPREAD * np.abs(random.standard_normal(count))
        extra = np.zeros(count)
        odd = int(random.integers(count))
        capacity[odd] *= condition.odd_capacity_factor
        charge[odd] -= condition.odd_charge_less
        extra[odd] += condition.odd_extra_ohm
        return Groups(capacity, np.maximum(charge, 0.0), resistance, extra, odd)
