"""Which figures of a snapshot the live screen shows, and how they are named. Pure: snapshot in, texts out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capture.engine.snapshot import LinkState
from capture.folds.figures import RunFigures
from capture.quantities import UNIT_LABELS
from tui.formatting import DECIMALS, duration, figure, large, plain, quantity_words, with_unit
from tui.widgets.figure_tile import Detail, TileFigures
from tui.widgets.pieces import Piece

if TYPE_CHECKING:
    from capture.engine.snapshot import ChannelFace, LinkStatus, Snapshot
    from capture.folds.remaining_time import Remaining

CURRENT: Final = "current_a"
VOLTAGE: Final = "voltage_v"
POWER: Final = "power_w"

_GROUP: Final = re.compile(r"group_\d+")
_NOTHING_YET: Final = RunFigures(
    duration_s=0.0,
    samples=0,
    charge=None,
    charge_discharged=None,
    charge_returned=None,
    energy=None,
    energy_discharged=None,
    energy_returned=None,
    peak_current=None,
    peak_power=None,
    minimum_voltage=None,
    rest_voltage=None,
    rested_s=None,
    drop_from_rest=None,
    cuts=None,
)


@dataclass(frozen=True, slots=True)
class LiveTiles:
    """The four tiles from the left."""

    voltage: TileFigures
    current: TileFigures
    power: TileFigures
    energy: TileFigures


def tiles_of(snapshot: Snapshot) -> LiveTiles:
    """Return what the tiles show of a snapshot; a dash stands for what cannot be told."""
    figures, latest = snapshot.figures or _NOTHING_YET, snapshot.latest
    voltage, current = latest.get(VOLTAGE), latest.get(CURRENT)
    power = snapshot.power_w if latest.get(POWER) is None else latest[POWER]
    run_s = None if snapshot.figures is None else snapshot.run_s
    stale = _stale(snapshot.link)

    def tile(
        quantity: str, unit: str, value: float | None, *details: Detail, moment: bool = True
    ) -> TileFigures:
        digits = large(value, DECIMALS[unit])
        return TileFigures(quantity, unit, digits, details, stale if moment and value is not None else "")

    energy = None if figures.energy is None else figures.energy.value
    return LiveTiles(
        tile("voltage", "V", voltage, *_voltage_details(figures, voltage, snapshot.rest_v)),
        tile("current", "A", current, *_current_details(figures)),
        tile("power", "W", power, *_power_details(figures, run_s)),
        tile("energy", "Wh", energy, *_energy_details(figures), moment=False),
    )


def other_channels(snapshot: Snapshot) -> list[Piece]:
    """Return the channels that have no tile, such as speed and temperature, as pieces of one line."""
    groups = [channel for channel in snapshot.channels if _GROUP.fullmatch(channel.quantity)]
    shown = [channel for channel in snapshot.channels if channel not in groups]
    pieces = []
    for channel in shown:
        if channel.column in {CURRENT, VOLTAGE, POWER}:
            continue
        value = with_unit(
            snapshot.latest.get(channel.column), UNIT_LABELS.get(channel.unit, plain(channel.unit))
        )
        pieces.append(Piece(f"{quantity_words(channel.quantity)} {value}"))
    return pieces + _lowest_group(snapshot, groups)


def _lowest_group(snapshot: Snapshot, groups: list[ChannelFace]) -> list[Piece]:
    """Return which of the groups is lowest, and its voltage: the one that ends the run."""
    known = [(value, one) for one in groups if (value := snapshot.latest.get(one.column)) is not None]
    if not known:
        return []
    value, lowest = min(known, key=lambda pair: pair[0])
    return [Piece(f"lowest {quantity_words(lowest.quantity)} {with_unit(value, 'V')}")]


def _stale(link: LinkStatus) -> str:
    """Return what keeps the figures of the moment from being both new and final; empty while nothing does."""
    if link.state is not LinkState.STREAMING:
        return f"stale {duration(link.silent_s)}"
    return "provisional" if link.missing_samples else ""


def _voltage_details(figures: RunFigures, voltage: float | None, rest: float | None) -> tuple[Detail, ...]:
    sag = None if rest is None or voltage is None else rest - voltage
    return (
        Detail("sag below rest", "sag", with_unit(sag, "V")),
        Detail("lowest", "lowest", figure(figures.minimum_voltage, "V")),
        Detail("drop from rest", "drop", figure(figures.drop_from_rest, "V")),
    )


def _current_details(figures: RunFigures) -> tuple[Detail, ...]:
    return (
        Detail("peak", "peak", figure(figures.peak_current, "A")),
        Detail("charge", "charge", figure(figures.charge, "Ah")),
    )


def _power_details(figures: RunFigures, run_s: float | None) -> tuple[Detail, ...]:
    return (
        Detail("peak", "peak", figure(figures.peak_power, "W")),
        Detail("run time", "run", duration(run_s)),
        *(() if figures.cuts is None else (Detail("cuts", "cuts", str(figures.cuts)),)),
    )


def _energy_details(figures: RunFigures) -> tuple[Detail, ...]:
    return (
        Detail("discharged", "out", figure(figures.energy_discharged, "Wh")),
        Detail("returned", "back", figure(figures.energy_returned, "Wh")),
        *(() if figures.remaining is None else (Detail("to cut-off", "left", _range(figures.remaining)),)),
    )


def _range(remaining: Remaining) -> str:
    """Return the time to the cut-off as its 90 % range."""
    return f"{duration(remaining.low_s)} to {duration(remaining.high_s)}"
