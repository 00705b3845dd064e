"""All folds of a run side by side, fed from one stream of blocks."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import lcm
from typing import TYPE_CHECKING, Final

from capture.folds import (
    accounting,
    charge_energy,
    cuts,
    extremes,
    hysteresis,
    integrals,
    noise,
    pairing,
    remaining_time,
    rest_voltage,
    speed,
)
from capture.folds.figures import RunFigures, report
from capture.folds.grid import Grid
from capture.folds.load_edges import with_edges

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from capture.blocks import SampleBlock
    from capture.run_card import RunCard

#: Columns without which there is no charge, energy or sag.
ELECTRICAL: Final = frozenset({"current_a", "voltage_v"})


@dataclass(frozen=True, slots=True)
class FoldSettings:
    """What the samples do not say of themselves.

    `divisors` says how many samples apart the readings of a column are due (1 where it is not named);
    `pulses_per_turn` is the tachometer's, 1 gives the loosest bound on a speed without pulses;
    remaining time needs `cutoff_v` of the whole pack and its groups in `series`, which are counted from the
    columns group_1_v ... where None.
    """

    cutoff_v: float | None = None
    divisors: Mapping[str, int] = field(default_factory=dict)
    series: int | None = None
    pulses_per_turn: float = 1.0

    @property
    def spacing(self) -> int:
        """How many samples apart current and voltage are due together."""
        return lcm(self.divisors.get("current_a", 1), self.divisors.get("voltage_v", 1))

    def limits(self, columns: tuple[str, ...]) -> remaining_time.PackLimits | None:
        """Return what remaining time must know of the pack; None where something is missing."""
        series = self.series or len(extremes.group_columns(columns))
        if self.cutoff_v is None or series == 0:
            return None
        return remaining_time.PackLimits(self.cutoff_v, series)


@dataclass(frozen=True, slots=True)
class RunState:
    """The states of all folds after the same samples."""

    columns: tuple[str, ...] = ()
    first_tick_us: int | None = None
    last_tick_us: int | None = None
    accounting: accounting.Accounting = field(default_factory=accounting.Accounting)
    load: hysteresis.Load = field(default_factory=hysteresis.Load)
    integrals: integrals.Integrals = field(default_factory=integrals.Integrals)
    extremes: extremes.Extremes = field(default_factory=extremes.Extremes)
    speed: speed.Speed = field(default_factory=speed.Speed)
    charge_energy: charge_energy.ChargeEnergy = field(default_factory=charge_energy.ChargeEnergy)
    rest: rest_voltage.RestVoltage = field(default_factory=rest_voltage.RestVoltage)
    cuts: cuts.Cuts = field(default_factory=cuts.Cuts)
    noise: noise.Noise = field(default_factory=noise.Noise)
    pairing: pairing.Pairing = field(default_factory=pairing.Pairing)
    remaining: remaining_time.RemainingTime = field(default_factory=remaining_time.RemainingTime)


def update(state: RunState, block: SampleBlock, settings: FoldSettings) -> RunState:
    """Return the state after `block`, a cell of the grid; folds whose columns are missing stay as they are.

    A speed that is set aside as suspect reaches neither the channel's mean nor the cuts.
    """
    divisors = settings.divisors
    counted = accounting.update(state.accounting, block, divisors)
    follower, load, turning = state.load, None, state.speed
    if "current_a" in block.columns:
        follower, told = hysteresis.follow(follower, block)
        load = with_edges(told, block.ticks_us[told.rows])
    if speed.SPEED in block.columns:
        turning, kept = speed.update(turning, block, load, divisors.get(speed.SPEED, 1))
        block = replace(block, columns={**block.columns, speed.SPEED: kept})
    state = replace(
        state,
        columns=tuple(block.columns),
        first_tick_us=int(block.ticks_us[0]) if state.first_tick_us is None else state.first_tick_us,
        last_tick_us=int(block.ticks_us[-1]),
        accounting=counted,
        load=follower,
        integrals=integrals.update(state.integrals, block, divisors),
        extremes=extremes.update(state.extremes, block),
        speed=turning,
        noise=noise.update(state.noise, block, load),
    )
    if load is None or not block.columns.keys() >= ELECTRICAL:
        return state
    return _electrical(state, block, load, settings)


def _electrical(
    state: RunState, block: SampleBlock, load: hysteresis.LoadRows, settings: FoldSettings
) -> RunState:
    """Return the state with the folds that need current and voltage brought on."""
    rest = rest_voltage.update(state.rest, block, load)
    limits, remaining = settings.limits(state.columns), state.remaining
    if limits is not None:
        remaining = remaining_time.update(remaining, block, load, limits, settings.spacing)
    return replace(
        state,
        charge_energy=charge_energy.update(state.charge_energy, block, settings.spacing),
        rest=rest,
        pairing=pairing.update(state.pairing, block),
        cuts=cuts.update(state.cuts, block, load, rest.recent, settings.divisors),
        remaining=remaining,
    )


def folds_for(card: RunCard, divisors: Mapping[str, int]) -> RunFolds:
    """Return the folds of a run with this card whose columns have these divisors, live or stored."""
    return RunFolds(card.cutoff_v, divisors, series=card.series, pulses_per_turn=card.pulses_per_rev or 1.0)


class RunFolds:
    """The folds of one run: cuts blocks to the grid and carries the states along.

    Arguments are those of `FoldSettings`. The figures may be asked for at any time: that runs the folds over
    the unfinished grid cell, at most 1024 samples, and throws that away.
    """

    def __init__(
        self,
        cutoff_v: float | None = None,
        divisors: Mapping[str, int] | None = None,
        *,
        series: int | None = None,
        pulses_per_turn: float = 1.0,
    ) -> None:
        self._settings = FoldSettings(cutoff_v, dict(divisors or {}), series, pulses_per_turn)
        self._grid = Grid()
        self._state = RunState()

    def feed(self, blocks: Iterable[SampleBlock]) -> None:
        """Take ordered blocks."""
        for block in blocks:
            for cell in self._grid.feed(block):
                self._state = update(self._state, cell, self._settings)

    def state(self) -> RunState:
        """Return the state after all samples so far, those of the unfinished grid cell included."""
        tail = self._grid.tail()
        return self._state if tail is None else update(self._state, tail, self._settings)

    def report(self, state: RunState) -> RunFigures:
        """Return the figures of a state of these folds."""
        return report(state, self._settings)

    def figures(self) -> RunFigures:
        """Return the figures of all samples so far.

        At the end of a run this is what it gave: the same samples give the same figures to the bit.
        """
        return self.report(self.state())
