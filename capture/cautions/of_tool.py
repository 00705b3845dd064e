"""Cautions from what is known of the tool: a tachometer that counts otherwise, a torque in blows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.folds.cut_record import TORQUE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.cautions.facts import Facts

#: A no-load speed may miss what the maker states by this share, for the pack's charge and its spread alone.
#: Common practice, no source.
AS_STATED: Final = 0.15
#: Counts that are wrong by a whole factor: two marks counted as one, both edges of a mark.
_FACTORS: Final = (2.0, 3.0, 4.0)


def miscounted_speed(facts: Facts) -> Iterator[str]:
    """Yield that the no-load speed is a whole multiple, or part, of the one that the maker states."""
    stated, speed = facts.card.no_load_speed_rpm, facts.figures.speed
    highest = None if speed is None else speed.highest_no_load
    if stated is None or highest is None or highest <= 0:
        return
    for factor in _FACTORS:
        if abs(highest / (stated * factor) - 1) < AS_STATED / factor:
            yield (
                f"the tool turned {highest:.0f} rpm without load, {factor:g} times the {stated:g} rpm "
                "that are stated: the tachometer counts too much; check its pulses_per_rev"
            )
            return
        if abs(highest * factor / stated - 1) < AS_STATED / factor:
            yield (
                f"the tool turned {highest:.0f} rpm without load, 1/{factor:g} of the {stated:g} rpm "
                "that are stated: check pulses_per_rev, the gear, and that the trigger was pulled through"
            )
            return


def torque_in_blows(facts: Facts) -> Iterator[str]:
    """Yield that the torque channel of an impact tool is not its torque."""
    if facts.card.torque_comes_in_blows and TORQUE in facts.columns:
        yield "an impact tool turns in blows: its torque channel is kept, no torque or power is made of it"
