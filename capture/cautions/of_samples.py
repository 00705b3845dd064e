"""Cautions about the samples themselves: missing, lost, clipped, suspect, sampled too seldom."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.cut_figures import numbered_cuts
from capture.figure_uncertainty import is_averaged
from capture.folds.run import ELECTRICAL
from capture.quantities import ah_from_coulomb, wh_from_joule

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.cautions.facts import Facts

#: A current that is read at instants and scatters from sample to sample by this share of its mean ripples
#: faster than it is sampled. Common practice, no source.
MOST_SCATTER: Final = 0.1
#: By so much it must exceed the noise at rest, or it is noise. Common practice, no source.
OVER_NOISE: Final = 5.0


def unamended(facts: Facts) -> Iterator[str]:
    """Yield why the amendments could not be read."""
    if facts.amendments_fault is not None:
        yield f"read without its amendments: {facts.amendments_fault}"


def without_channels(facts: Facts) -> Iterator[str]:
    """Yield that current or voltage is missing."""
    if missing := ELECTRICAL - facts.columns:
        yield f"without {' and '.join(sorted(missing))} there is no charge, energy or sag"


def interrupted(facts: Facts) -> Iterator[str]:
    """Yield that the run did not end as it should."""
    if facts.document["interrupted"]:
        yield f"the run was interrupted: {facts.document['ended']}"


def lost(facts: Facts) -> Iterator[str]:
    """Yield how many samples were lost, and what charge and energy miss if the work went on meanwhile."""
    count, exposure = facts.document["lost_samples"], facts.figures.exposure
    if count:
        share = count / (count + facts.figures.samples)
        gaps = len(facts.document["gaps"])
        yield (
            f"{count} samples ({share:.2%}) were lost in {gaps} gaps; charge and energy leave the gaps out"
        )
    if exposure is not None and exposure.hidden_s > 0:
        charge_ah, energy_wh = ah_from_coulomb(exposure.hidden_c), wh_from_joule(exposure.hidden_j)
        yield (
            f"{exposure.hidden_s:.2f} s are not covered: if the work went on as beside them they hide "
            f"{charge_ah:.4f} Ah and {energy_wh:.4f} Wh, which the uncertainties count"
        )


def gap_in_a_cut(facts: Facts) -> Iterator[str]:
    """Yield the numbers of the cuts that have a gap."""
    numbers = [str(cut.number) for cut in numbered_cuts(facts.figures) if cut.record.has_gap]
    if numbers:
        cuts = "cut" if len(numbers) == 1 else "cuts"
        yield f"samples are missing in {cuts} {', '.join(numbers)} or at an end: compare with care"


def clipped(facts: Facts) -> Iterator[str]:
    """Yield how many samples stood at an end of a channel's range."""
    accounting = facts.figures.accounting
    if accounting is not None and accounting.clipped:
        names = ", ".join(sorted(facts.document["clipped"]))
        yield f"{accounting.clipped} samples are clipped ({names}): peaks there are lower bounds"


def missing_readings(facts: Facts) -> Iterator[str]:
    """Yield how many readings were due and did not come, by channel."""
    accounting = facts.figures.accounting
    if accounting is not None and any(accounting.missing.values()):
        counts = [f"{count} of {name}" for name, count in sorted(accounting.missing.items()) if count]
        yield f"readings are missing: {', '.join(counts)}; means and integrals leave longer holes out"


def suspect_speed(facts: Facts) -> Iterator[str]:
    """Yield how many readings of the speed doubled or halved for a moment."""
    speed = facts.figures.speed
    if speed is not None and speed.suspect_readings:
        suspect = speed.suspect_readings
        readings, were = ("reading", "was") if suspect == 1 else ("readings", "were")
        yield (
            f"{suspect} speed {readings} doubled or halved for a moment and {were} left out: "
            "check the tachometer"
        )


def too_slow_for_ripple(facts: Facts) -> Iterator[str]:
    """Yield that a current that is read at instants ripples faster than it is sampled."""
    noise, mean_a = facts.figures.noise.get("current_a"), facts.known.weighted_mean_a
    if noise is None or is_averaged(facts.channel("current_a")) or noise.under_load is None or mean_a <= 0:
        return
    scatter_a = noise.under_load
    if scatter_a > MOST_SCATTER * mean_a and scatter_a > OVER_NOISE * (noise.at_rest or 0.0):
        yield (
            f"current scatters by {scatter_a:.1f} A from sample to sample under load: it ripples faster than "
            "it is sampled, peaks are lower bounds; average it over the interval or sample faster"
        )
