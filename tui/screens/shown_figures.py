"""Which figures of a snapshot the live screen shows, and how they are named. Pure: snapshot in, texts out."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from capture.cut_figures import numbered_cuts
from capture.engine.snapshot import LinkState
from capture.folds.figures import RunFigures
from capture.folds.speed import SPEED, SpeedState
from capture.quantities import UNIT_LABELS
from tui.formatting import (
    DECIMALS,
    clock,
    duration,
    figure,
    large,
    number,
    plain,
    quantity_words,
    with_unit,
)
from tui.widgets.chart_picture import GAP_SIGN
from tui.widgets.figure_tile import Detail, TileFigures
from tui.widgets.pieces import Piece, Shrink

if TYPE_CHECKING:
    from capture.engine.snapshot import ChannelFace, LinkStatus, Snapshot
    from capture.folds.remaining_time import Remaining

CURRENT: Final = "current_a"
VOLTAGE: Final = "voltage_v"
POWER: Final = "power_w"
#: What the tool gives back, where a logger has it: column, name of the tile, unit and its decimals.
_OUTPUTS: Final = (("force_n", "force", "N"), ("torque_nm", "torque", "N.m"))
_HAVE_TILES: Final = frozenset({CURRENT, VOLTAGE, POWER, SPEED, *(column for column, _, _ in _OUTPUTS)})

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


#: The names of all tiles there may be, in the order in which they are shown.
TILE_NAMES: Final = ("voltage", "current", "power", "energy", "speed", "force", "torque", "remaining")


def tiles_of(snapshot: Snapshot) -> dict[str, TileFigures]:
    """Return what the tiles show of a snapshot, by name and in order; a dash stands for what cannot be told.

    What the logger has no channel for, or the run card no cut-off, has no tile.
    """
    figures, latest = snapshot.figures or _NOTHING_YET, snapshot.latest
    voltage, current = latest.get(VOLTAGE), latest.get(CURRENT)
    power = snapshot.power_w if latest.get(POWER) is None else latest[POWER]
    run_s = None if snapshot.figures is None else snapshot.run_s
    stale = _stale(snapshot.link)

    def tile(quantity: str, unit: str, value: float | None, *details: Detail) -> TileFigures:
        digits = large(value, DECIMALS[unit])
        return TileFigures(quantity, unit, digits, details, stale if value is not None else "")

    energy = None if figures.energy is None else figures.energy.value
    tiles = {
        "voltage": tile("voltage", "V", voltage, *_voltage_details(figures, voltage, snapshot.rest_v)),
        "current": tile("current", "A", current, *_current_details(figures)),
        "power": tile("power", "W", power, *_power_details(figures, run_s)),
        "energy": TileFigures("energy", "Wh", large(energy, DECIMALS["Wh"]), _energy_details(figures)),
    }
    columns = {channel.column for channel in snapshot.channels}
    if SPEED in columns:
        tiles["speed"] = _speed_tile(figures, latest.get(SPEED), stale)
    for column, name, unit in _OUTPUTS:
        if column in columns:
            label = UNIT_LABELS.get(unit, unit)
            shown = tile(name, unit, latest.get(column), *_output_details(figures, column, label))
            tiles[name] = replace(shown, unit=label)
    if snapshot.card is not None and snapshot.card.cutoff_v is not None:
        tiles["remaining"] = _remaining_tile(figures.remaining, snapshot.card.cutoff_v)
    return tiles


def last_cut_pieces(figures: RunFigures | None) -> list[Piece]:
    """Return the running or the last cut in one line; what to expect where there is none."""
    cuts = [] if figures is None else numbered_cuts(figures, 1)
    if not cuts:
        return [Piece("no cut yet: it counts once the tool draws current", shrink=Shrink.END)]
    cut = cuts[0].record
    sag = cut.peak_sag
    return [
        Piece(f"cut {cuts[0].number}", "bold"),
        Piece(f"{number(cut.duration_s, 1)} s"),
        Piece(f"{number(cut.energy_wh, 2)} Wh"),
        Piece(with_unit(cut.mean_power_w, "W")),
        Piece(f"sag {with_unit(None if sag is None else sag.volts, 'V')}"),
        *([] if cut.mean_speed_rpm is None else [Piece(with_unit(cut.mean_speed_rpm, "rpm"))]),
        *([Piece(f"{GAP_SIGN} gap in it", "bold")] if cut.has_gap else []),
    ]


def other_channels(snapshot: Snapshot) -> list[Piece]:
    """Return the channels that have no tile, such as speed and temperature, as pieces of one line."""
    groups = [channel for channel in snapshot.channels if _GROUP.fullmatch(channel.quantity)]
    shown = [channel for channel in snapshot.channels if channel not in groups]
    pieces = []
    for channel in shown:
        if channel.column in _HAVE_TILES:
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
    )


def _speed_tile(figures: RunFigures, now: float | None, stale: str) -> TileFigures:
    """Return the speed; while no pulse comes it is not the last one read but a bound that falls."""
    speed = figures.speed
    if speed is not None and speed.how is SpeedState.NO_PULSE and not stale:
        bound = "" if speed.at_most is None else f", at most {number(speed.at_most, 0)}"
        now, stale = None, f"no pulse{bound}"
    details = (
        Detail("lowest in cuts", "lowest", with_unit(None if speed is None else speed.lowest_working, "rpm")),
        Detail("mean in cuts", "mean", with_unit(None if speed is None else speed.working_mean, "rpm")),
        Detail("without load", "free", with_unit(None if speed is None else speed.highest_no_load, "rpm")),
    )
    return TileFigures("speed", "rpm", large(now, 0), details, stale)


def _output_details(figures: RunFigures, column: str, unit: str) -> tuple[Detail, ...]:
    channel = figures.channels.get(column)
    highest = None if channel is None else channel.highest
    return (Detail("highest", "peak", f"{number(highest, DECIMALS.get(unit, 1))} {unit}"),)


def _remaining_tile(remaining: Remaining | None, cutoff_v: float) -> TileFigures:
    """Return the time to the cut-off: its middle large, its 90 % range below."""
    digits, what = clock(None if remaining is None else remaining.value_s)
    shown = "not yet"
    if remaining is not None:
        shown = f"{duration(remaining.low_s)}\N{EN DASH}{duration(remaining.high_s)}"
    details = (Detail("90 % range", "", shown), Detail("cut-off", "at", with_unit(cutoff_v, "V")))
    return TileFigures("to cut-off", f"left {what}".strip(), digits, details)
