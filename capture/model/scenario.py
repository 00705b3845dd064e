"""A scenario: all that determines a life of pack, tool and work; and the faults that end one."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

from capture.model.pack import PACKS, Condition, Pack
from capture.model.tool import Tool


@dataclass(frozen=True, slots=True)
class Imperfection:
    """How far the logger's sensors are off: factors on the truth, offsets, and a factor on their noise."""

    current_gain: float = 1.0
    current_offset_a: float = 0.0
    voltage_gain: float = 1.0
    voltage_offset_v: float = 0.0
    force_offset_n: float = 0.0
    noise: float = 1.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """One life: a pack in its condition on a tool at work, seen by sensors; the same one twice is the same.

    `rig_ohm` is what shunt, adapter and leads put between the pack and the tool; the voltage is sensed at
    the pack's terminals. `heavy` is a factor on the operator's feed. `silent_from_s` is when the logger falls
    silent under load.
    """

    pack: Pack = PACKS["heron"]
    seed: int = 1
    work: str = "cuts"
    condition: Condition = field(default_factory=Condition)
    tool: Tool = field(default_factory=Tool)
    rig_ohm: float = 0.004
    heavy: float = 1.0
    winding_degc: float | None = None
    imperfection: Imperfection = field(default_factory=Imperfection)
    silent_from_s: float | None = None


#: Why a tool stops by itself, as the diagnosis names it.
FAULTS: Final = (
    "none",
    "empty",
    "weak_group",
    "high_resistance_group",
    "high_resistance_pack",
    "joint",
    "over_current",
    "over_temperature",
    "tool_side",
    "link_lost",
)


def with_fault(scenario: Scenario, fault: str) -> Scenario:
    """Return `scenario` made to stop for the reason `fault`, one of FAULTS, within two minutes of work."""
    pack, condition, tool, heavy = scenario.pack, scenario.condition, scenario.tool, scenario.heavy
    winding_degc, silent_from_s = scenario.winding_degc, scenario.silent_from_s
    match fault:
        case "empty":
            condition = replace(condition, charge=0.09)
        case "weak_group":
            condition = replace(condition, charge=0.64, weak_group=4, weak_capacity_factor=0.42)
        case "high_resistance_group":
            factor = 5.1 * _share(pack)
            condition = replace(condition, charge=0.5, resistive_group=7, resistive_factor=factor)
        case "high_resistance_pack":
            condition = replace(condition, charge=0.4, resistance_factor=5.1 * _share(pack))
        case "joint":
            condition = replace(condition, charge=0.7, joint_ohm=0.2)
            tool = replace(tool, lockout_v=31.5)
        case "over_current":
            tool = replace(tool, clamp_a=130.0, winding_ohm=0.04)
            heavy = 3.4
        case "over_temperature":
            limit_degc = pack.max_temperature_degc
            condition = replace(condition, pack_degc=limit_degc - 0.2, ambient_degc=limit_degc - 3.0)
            tool = replace(tool, winding_cooling_w_per_k=3.0)
            heavy = 1.5
        case "tool_side":
            tool = replace(tool, winding_cooling_w_per_k=0.2)  # its vents are clogged
            winding_degc = tool.max_winding_degc - 6.0
        case "link_lost":
            silent_from_s = 20.0
    return replace(
        scenario,
        condition=condition,
        tool=tool,
        heavy=heavy,
        winding_degc=winding_degc,
        silent_from_s=silent_from_s,
    )


def _share(pack: Pack) -> float:
    """Return by how much the resistance of a bigger pack must grow more to show the same."""
    return PACKS["heron"].resistance_ohm / pack.resistance_ohm
