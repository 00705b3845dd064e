"""Cautions from the run card: void, a limit passed, an outcome that misfits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.cut_figures import numbered_cuts
from capture.run_card import Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.cautions.facts import Facts


def void(facts: Facts) -> Iterator[str]:
    """Yield that the run does not count, or that the rig failed, and why."""
    reason = f": {facts.card.outcome_reason}" if facts.card.outcome_reason else ""
    if facts.card.outcome is Outcome.VOID:
        yield f"the run is void and does not count{reason}"
    elif facts.card.outcome is Outcome.RIG_FAILURE:
        yield f"the rig failed{reason}"


def contradicted(facts: Facts) -> Iterator[str]:
    """Yield that the card says completed of a run that was interrupted."""
    if facts.card.outcome is Outcome.COMPLETED and facts.document["interrupted"]:
        yield "the card says completed, but the recording was interrupted"


def over_current(facts: Facts) -> Iterator[str]:
    """Yield the cut whose mean current passes the card's limit most; an inrush does not count."""
    means = {
        cut.number: mean_a
        for cut in numbered_cuts(facts.figures)
        if (mean_a := cut.record.mean_current_a) is not None
    }
    most_a = facts.card.max_current_a
    if most_a is None or not means:
        return
    number, mean_a = max(means.items(), key=lambda pair: pair[1])
    if mean_a > most_a:
        yield f"cut {number} drew {mean_a:.1f} A on average, over the {most_a:g} A of the card"


def under_cutoff(facts: Facts) -> Iterator[str]:
    """Yield that the voltage fell below the card's cut-off."""
    cutoff_v, lowest = facts.card.cutoff_v, facts.figures.minimum_voltage
    if cutoff_v is not None and lowest is not None and lowest.value < cutoff_v:
        yield f"voltage fell to {lowest.value:.2f} V, under the cut-off of {cutoff_v:g} V"


def over_temperature(facts: Facts) -> Iterator[str]:
    """Yield that the pack grew hotter than the card allows."""
    most, hottest = facts.card.max_temperature_degc, facts.figures.peak_temperature
    if most is not None and hottest is not None and hottest.value > most:
        yield f"the pack reached {hottest.value:.1f} °C, over the {most:g} °C of the card"
