"""All cautions of a run, in the order in which they are read: whether it counts, then what to mind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.cautions import of_card, of_pack, of_samples, of_tool, of_wiring

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from capture.cautions.facts import Facts

    Caution = Callable[[Facts], Iterator[str]]

CAUTIONS: Final[tuple[Caution, ...]] = (
    of_card.void,
    of_card.contradicted,
    of_card.over_current,
    of_card.under_cutoff,
    of_card.over_temperature,
    of_samples.unamended,
    of_samples.without_channels,
    of_samples.interrupted,
    of_samples.lost,
    of_samples.gap_in_a_cut,
    of_samples.clipped,
    of_samples.missing_readings,
    of_samples.suspect_speed,
    of_samples.too_slow_for_ripple,
    of_tool.miscounted_speed,
    of_tool.torque_in_blows,
    of_pack.not_rested,
    of_pack.not_full,
    of_pack.cold,
    of_pack.hot_start,
    of_pack.broken_thermometer,
    of_wiring.wrong_sign,
    of_wiring.no_zero,
    of_wiring.never_idle,
    of_wiring.skewed,
    of_wiring.behind_leads,
    of_wiring.groups_do_not_sum,
    of_wiring.assumed,
)


def cautions(facts: Facts) -> tuple[str, ...]:
    """Return the lines of all cautions that the run gives reason for."""
    return tuple(line for caution in CAUTIONS for line in caution(facts))
