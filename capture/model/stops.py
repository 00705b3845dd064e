"""Why a tool stops: the causes a life can have, what acted, and the condition that leads to each cause."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class StopCause(StrEnum):
    """What was wrong, in the words of an address; NONE for a sound rig."""

    NONE = "none"
    EMPTY = "empty"
    WEAK_GROUP = "weak_group"
    HIGH_RESISTANCE_GROUP = "high_resistance_group"
    HIGH_RESISTANCE_PACK = "high_resistance_pack"
    JOINT = "joint"
    OVER_CURRENT = "over_current"
    OVER_TEMPERATURE = "over_temperature"
    TOOL_SIDE = "tool_side"
    LINK_LOST = "link_lost"


class Protection(StrEnum):
    """What ended the load, or the record of it."""

    PACK_UNDER_VOLTAGE = "pack_under_voltage"
    PACK_OVER_CURRENT = "pack_over_current"
    PACK_OVER_TEMPERATURE = "pack_over_temperature"
    TOOL_UNDER_VOLTAGE = "tool_under_voltage"
    TOOL_STALL = "tool_stall"
    TOOL_TEMPERATURE = "tool_temperature"
    LINK = "link"


@dataclass(frozen=True, slots=True)
class Stop:
    """One sudden stop: when it came, what acted, and why."""

    time_s: float
    protection: Protection
    cause: StopCause


@dataclass(frozen=True, slots=True)
class Condition:
    """The state in which pack, tool and operator go to work; the default is a sound rig.

    One group, drawn from the seed, may be odd: less capacity, less charge, more resistance than the others.
    `resistance_ohm` stands in for the pack's where that is lower; `joint_ohm` adds to the pack's own joints.
    """

    charge: float = 1.0
    ambient_degc: float = 22.0
    odd_capacity_factor: float = 1.0
    odd_charge_less: float = 0.0
    odd_extra_ohm: float = 0.0
    resistance_ohm: float = 0.0
    joint_ohm: float = 0.0
    below_max_temperature_k: float | None = None  # the pack's start; None: at ambient temperature
    cooling_factor: float = 1.0
    feed_factor: float = 1.0
    clamp_factor: float = 1.0
    tool_start_degc: float | None = None  # None: at ambient temperature
    tool_cooling_factor: float = 1.0
    goes_silent: bool = False


#: How each cause is brought about within a minute or two of work.
CONDITIONS: Final = {
    StopCause.NONE: Condition(),
    StopCause.EMPTY: Condition(charge=0.09),
    StopCause.WEAK_GROUP: Condition(charge=0.35, odd_capacity_factor=0.7, odd_charge_less=0.27),
    StopCause.HIGH_RESISTANCE_GROUP: Condition(charge=0.40, odd_extra_ohm=0.026),
    StopCause.HIGH_RESISTANCE_PACK: Condition(charge=0.35, ambient_degc=-5.0, resistance_ohm=0.16),
    StopCause.JOINT: Condition(charge=0.20, joint_ohm=0.22),
    StopCause.OVER_CURRENT: Condition(feed_factor=2.8, clamp_factor=1.5),
    StopCause.OVER_TEMPERATURE: Condition(
        ambient_degc=40.0, below_max_temperature_k=1.0, cooling_factor=0.2, resistance_ohm=0.12
    ),
    StopCause.TOOL_SIDE: Condition(tool_start_degc=84.0, tool_cooling_factor=0.05),
    StopCause.LINK_LOST: Condition(goes_silent=True),
}

_NATURAL: Final = {
    Protection.PACK_UNDER_VOLTAGE: StopCause.EMPTY,
    Protection.PACK_OVER_CURRENT: StopCause.OVER_CURRENT,
    Protection.PACK_OVER_TEMPERATURE: StopCause.OVER_TEMPERATURE,
    Protection.TOOL_UNDER_VOLTAGE: StopCause.EMPTY,
    Protection.TOOL_STALL: StopCause.TOOL_SIDE,
    Protection.TOOL_TEMPERATURE: StopCause.TOOL_SIDE,
    Protection.LINK: StopCause.LINK_LOST,
}
_PACK_FAULTS: Final = {StopCause.WEAK_GROUP, StopCause.HIGH_RESISTANCE_GROUP, StopCause.HIGH_RESISTANCE_PACK}
#: What can lie behind a low voltage; a joint does not show in the groups, which are all the pack watches.
_LOW_VOLTAGE_FAULTS: Final = {
    Protection.PACK_UNDER_VOLTAGE: _PACK_FAULTS,
    Protection.TOOL_UNDER_VOLTAGE: _PACK_FAULTS | {StopCause.JOINT},
}
_ODD_GROUP_FAULTS: Final = {StopCause.WEAK_GROUP, StopCause.HIGH_RESISTANCE_GROUP}


def cause_of(protection: Protection, fault: StopCause, *, lowest_is_odd: bool) -> StopCause:
    """Return why `protection` acted: the rig's fault where it explains that, else the usual reason.

    A fault of one group explains an under-voltage only if that group was the lowest.
    """
    explained = fault in _LOW_VOLTAGE_FAULTS.get(protection, set())
    if fault in _ODD_GROUP_FAULTS:
        explained = explained and lowest_is_odd
    return fault if explained else _NATURAL[protection]
