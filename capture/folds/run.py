"""All folds of a run side by side, fed from one stream of blocks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from capture.folds import charge_energy, cuts, extremes, rest_voltage
from capture.folds.grid import Grid
from capture.quantities import Figure, ah_from_coulomb, wh_from_joule

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capture.blocks import SampleBlock

#: Columns without which there is no charge, energy or sag.
ELECTRICAL: Final = frozenset({"current_a", "voltage_v"})


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


@dataclass(frozen=True, slots=True)
class RunState:
    """The states of all folds after the same samples."""

    samples: int = 0
    first_tick_us: int | None = None
    last_tick_us: int | None = None
    charge_energy: charge_energy.ChargeEnergy = field(default_factory=charge_energy.ChargeEnergy)
    extremes: extremes.Extremes = field(default_factory=extremes.Extremes)
    rest: rest_voltage.RestVoltage = field(default_factory=rest_voltage.RestVoltage)
    cuts: cuts.Cuts = field(default_factory=cuts.Cuts)


def update(state: RunState, block: SampleBlock) -> RunState:
    """Return the state after `block`; without current and voltage only samples and time are counted."""
    electrical = block.columns.keys() >= ELECTRICAL
    first = state.first_tick_us
    return RunState(
        samples=state.samples + len(block),
        first_tick_us=int(block.ticks_us[0]) if first is None else first,
        last_tick_us=int(block.ticks_us[-1]),
        charge_energy=charge_energy.update(state.charge_energy, block) if electrical else state.charge_energy,
        extremes=extremes.update(state.extremes, block) if electrical else state.extremes,
        rest=rest_voltage.update(state.rest, block) if electrical else state.rest,
        cuts=cuts.update(state.cuts, block) if electrical else state.cuts,
    )


def report(state: RunState) -> RunFigures:
    """Return the figures of `state`. Uncertainties are None until channels carry calibrations."""
    work, ends, rest = state.charge_energy, state.extremes, state.rest.before_load
    integrated = work.last is not None
    minimum = ends.minimum_voltage
    drop = None if rest is None or minimum is None else rest.voltage_v - minimum.value
    span_us = (state.last_tick_us or 0) - (state.first_tick_us or 0)
    return RunFigures(
        duration_s=span_us * 1e-6,
        samples=state.samples,
        charge=_figure(ah_from_coulomb(work.charge_c), "Ah", known=integrated),
        charge_discharged=_figure(ah_from_coulomb(work.charge_discharged_c), "Ah", known=integrated),
        charge_returned=_figure(ah_from_coulomb(work.charge_returned_c), "Ah", known=integrated),
        energy=_figure(wh_from_joule(work.energy_j), "Wh", known=integrated),
        energy_discharged=_figure(wh_from_joule(work.energy_discharged_j), "Wh", known=integrated),
        energy_returned=_figure(wh_from_joule(work.energy_returned_j), "Wh", known=integrated),
        peak_current=_extreme(ends.peak_current, "A"),
        peak_power=_extreme(ends.peak_power, "W"),
        minimum_voltage=_extreme(minimum, "V"),
        rest_voltage=None if rest is None else Figure(rest.voltage_v, None, "V"),
        rested_s=None if rest is None else rest.rested_s,
        drop_from_rest=None if drop is None else Figure(drop, None, "V"),
        cuts=state.cuts.count if integrated else None,
    )


def _figure(value: float, unit: str, *, known: bool) -> Figure | None:
    return Figure(value, None, unit) if known else None


def _extreme(extreme: extremes.Extreme | None, unit: str) -> Figure | None:
    return None if extreme is None else Figure(extreme.value, None, unit)


class RunFolds:
    """The folds of one run: cuts blocks to the grid and carries the states along."""

    def __init__(self) -> None:
        self._grid = Grid()
        self._state = RunState()

    def feed(self, blocks: Iterable[SampleBlock]) -> None:
        """Take ordered blocks."""
        for block in blocks:
            for cell in self._grid.feed(block):
                self._state = update(self._state, cell)

    def state(self) -> RunState:
        """Return the state after all samples so far, those of the unfinished grid cell included."""
        tail = self._grid.tail()
        return self._state if tail is None else update(self._state, tail)

    def figures(self) -> RunFigures:
        """Return the figures of all samples so far.

        At the end of a run this is what it gave: the same samples give the same figures to the bit.
        """
        return report(self.state())
