"""Resistance of each group of cells, and what lies between them: joints, straps, leads inside a pack."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.quantities import Figure
from capture.studies.pulse_resistance import PULSE_TIMES_S, pulse_resistance
from capture.uncertainty.channels import HOBBY_DIVIDER, HOBBY_SHUNT

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.run_card import RunCard
    from capture.studies.columns import RunColumns
    from capture.studies.pulse_resistance import PulseResistance
    from capture.uncertainty.channels import ChannelUncertainty

#: Of the times of a pulse, the one at which groups are added up: ohmic and nearly so, where they add up best.
_CLOSURE: Final = 1
_COVERAGE: Final = 2.0


@dataclass(frozen=True, slots=True)
class GroupResistance:
    """One group, counted from the negative end, with its resistance in ohm at each of `PULSE_TIMES_S`."""

    group: int
    pulse: tuple[Figure | None, ...]


@dataclass(frozen=True, slots=True)
class Closure:
    """Pack minus the sum of its groups, in ohm, so long after a step, and what that says in words."""

    after_s: float
    remainder: Figure
    says: str


@dataclass(frozen=True, slots=True)
class Groups:
    """The groups of a pack, and the remainder where every group of it was measured."""

    groups: tuple[GroupResistance, ...]
    closure: Closure | None


def group_resistances(
    run: RunColumns, card: RunCard, uncertainties: Mapping[str, ChannelUncertainty], pack: PulseResistance
) -> Groups | None:
    """Return the resistance of each group that has a voltage column; None where there is none.

    Each group is a pack of one group in series, under the same current. The gain of the current is the same
    error in pack and groups, those of the voltages are not: so u(remainder)^2 is the remainder's own share
    of the current's gain, and the voltage gains of pack and groups each by itself.
    """
    columns = sorted(
        (int(name.split("_")[1]), name)
        for name in run.columns
        if name.startswith("group_") and name.endswith("_v") and name.split("_")[1].isdigit()
    )
    found = []
    for number, name in columns:
        alone = replace(
            run,
            columns={"current_a": run.columns["current_a"], "voltage_v": run.columns[name]},
            divisors={**run.divisors, "voltage_v": run.divisors.get(name, 1)},
            clipped={
                as_name: run.clipped[column]
                for as_name, column in (("current_a", "current_a"), ("voltage_v", name))
                if column in run.clipped
            },
        )
        known = {**uncertainties, "voltage_v": uncertainties.get(name, HOBBY_DIVIDER)}
        told = pulse_resistance(alone, replace(card, series=1), known, taus_s=pack.taus_s or None)
        found.append(GroupResistance(number, (None,) * len(PULSE_TIMES_S) if told is None else told.pulse))
    if not found:
        return None
    whole = card.series is None or len(found) == card.series
    return Groups(tuple(found), _closure(found, pack, uncertainties) if whole else None)


def _closure(
    groups: list[GroupResistance], pack: PulseResistance, uncertainties: Mapping[str, ChannelUncertainty]
) -> Closure | None:
    of_pack = pack.pulse[_CLOSURE]
    parts = [group.pulse[_CLOSURE] for group in groups]
    known = [part for part in parts if part is not None]
    if of_pack is None or len(known) < len(parts):
        return None
    shared = uncertainties.get("current_a", HOBBY_SHUNT).gain
    remainder = of_pack.value - sum(part.value for part in known)
    own = sum(_without(part, shared) ** 2 for part in (of_pack, *known))
    u = float(np.sqrt(own + (remainder * shared) ** 2))
    figure = Figure(remainder, u, "Ohm")
    return Closure(PULSE_TIMES_S[_CLOSURE], figure, _in_words(figure, of_pack.value))


def _without(figure: Figure, gain: float) -> float:
    """Return a figure's standard uncertainty without the gain that it shares with others."""
    return float(np.sqrt(max((figure.u or 0.0) ** 2 - (gain * figure.value) ** 2, 0.0)))


def _in_words(remainder: Figure, pack_ohm: float) -> str:
    share = f"{100 * remainder.value / pack_ohm:.1f} % of the pack"
    if abs(remainder.value) <= _COVERAGE * (remainder.u or 0.0):
        return "the groups add up to the pack: what joints and straps add cannot be told from nothing"
    if remainder.value < 0:
        return "the groups add up to more than the pack: check the scales of the group voltages"
    return f"joints, straps and leads add {share}"
