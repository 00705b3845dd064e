"""The summary of a stored run: the same folds as live, over the recording's blocks."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from capture.cut_figures import numbered_cuts
from capture.figure_uncertainty import RunUncertainty, run_uncertainty, with_uncertainties
from capture.folds.run import ELECTRICAL, folds_for
from capture.folds.speed import SPEED
from capture.overview import OverviewBuilder
from capture.quantities import COULOMB_PER_AH, Figure
from capture.run_card import Outcome, RunCard
from capture.storage.amendments import merged

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.folds.figures import ChannelFigures, RunFigures
    from capture.overview import Overview
    from capture.storage.amendments import Amendments
    from capture.storage.recording import Recording

#: Below this a rest says more of the last load than of the charge state. Common practice, no source.
SHORT_REST_S: Final = 2.0
#: What is worth a look over a whole run.
CHARTED: Final = ("current_a", "voltage_v", "speed_rpm")


@dataclass(frozen=True, slots=True)
class Summary:
    """A run in figures, with what a reader should know before believing them, and how it looks."""

    recording: Recording
    figures: RunFigures
    warnings: tuple[str, ...]
    overview: Overview = field(compare=False)
    known: RunUncertainty = field(default_factory=RunUncertainty, compare=False)

    @property
    def card(self) -> RunCard:
        """The run card, amended."""
        return RunCard.from_json(self.recording.document["run_card"])

    def amended_by(self, added: Amendments) -> Summary:
        """Return the summary with amendments in the document and the warnings that follow from them.

        No sample is read again: of the figures only `remaining` depends on the card, and stays. Raises
        ValueError where they name a mark that the run has not.
        """
        recording = replace(self.recording, document=merged(self.recording.document, added))
        warnings = tuple(_warnings(recording, self.figures))
        return Summary(recording, self.figures, warnings, self.overview, self.known)

    def as_json(self) -> dict[str, Any]:
        """Return the summary as the command line prints it."""
        figures, document = self.figures, self.recording.document
        return {
            "recording": str(self.recording.path),
            "duration_s": figures.duration_s,
            "samples": figures.samples,
            "lost_samples": document["lost_samples"],
            "recovered_samples": document.get("recovered_samples", 0),
            "gaps": [
                {"start_s": gap["start_s"], "end_s": gap["end_s"], "why": gap.get("why")}
                for gap in document["gaps"]
            ],
            "charge": _json(figures.charge),
            "charge_discharged": _json(figures.charge_discharged),
            "charge_returned": _json(figures.charge_returned),
            "energy": _json(figures.energy),
            "energy_discharged": _json(figures.energy_discharged),
            "energy_returned": _json(figures.energy_returned),
            "peak_current": _json(figures.peak_current),
            "peak_power": _json(figures.peak_power),
            "rest_voltage": _json(figures.rest_voltage),
            "rested_s": figures.rested_s,
            "minimum_voltage": _json(figures.minimum_voltage),
            "drop_from_rest": _json(figures.drop_from_rest),
            "cuts": figures.cuts,
            "mean_speed": _mean_speed(figures, self.known),
            "lowest_group": _lowest_group(figures),
            "peak_temperature": _json(figures.peak_temperature),
            "channels": {name: _channel(channel) for name, channel in figures.channels.items()},
            "marks": [{"t_s": mark["t_s"], "text": mark["text"]} for mark in document["marks"]],
            "notes": [note["text"] for note in document.get("notes", [])],
            "readings": [_reading(reading) for reading in document.get("readings", [])],
            "started": document["opened"],
            "ended": document["ended"],
            "interrupted": document["interrupted"],
            "run_card": document["run_card"],
            "outcome": document["run_card"].get("outcome"),
            "outcome_reason": document["run_card"].get("outcome_reason", ""),
            "amended": document.get("amended", False),
            "warnings": list(self.warnings),
        }


def summarise(recording: Recording, progress: Callable[[int], None] = lambda _rows: None) -> Summary:
    """Return the summary of `recording`; `progress` is told the rows done so far."""
    folds = folds_for(RunCard.from_json(recording.document["run_card"]), recording.divisors)
    overview = OverviewBuilder(CHARTED)
    rows = 0
    for block in recording.blocks():
        folds.feed([block])
        overview.feed(block)
        rows += len(block)
        progress(rows)
    figures = folds.figures()
    known = run_uncertainty(figures, recording.document)
    figures = with_uncertainties(figures, known)
    return Summary(recording, figures, tuple(_warnings(recording, figures)), overview.overview(), known)


def _warnings(recording: Recording, figures: RunFigures) -> list[str]:
    document = recording.document
    warnings = _warnings_of_card(document, figures)
    if recording.amendments_fault is not None:
        warnings.append(f"read without its amendments: {recording.amendments_fault}")
    if missing := ELECTRICAL - set(recording.columns):
        names = " and ".join(sorted(missing))
        warnings.append(f"without {names} there is no charge, energy or sag")
    if document["interrupted"]:
        warnings.append(f"the run was interrupted: {document['ended']}")
    if document["lost_samples"]:
        lost = document["lost_samples"]
        share = lost / (lost + figures.samples)
        warnings.append(
            f"{lost} samples ({share:.2%}) were lost in {len(document['gaps'])} gaps; "
            "charge and energy leave the gaps out"
        )
    warnings += _warnings_of_readings(document, figures)
    if figures.energy is not None and figures.rest_voltage is None:
        warnings.append("no rest before the first load: there is no rest voltage and no drop from it")
    elif figures.rested_s is not None and figures.rested_s < SHORT_REST_S:
        warnings.append(
            f"the pack rested only {figures.rested_s:.1f} s in the recording before the first load"
        )
    return warnings


def _warnings_of_card(document: dict[str, Any], figures: RunFigures) -> list[str]:
    """Return what the run card says against the run: void, a limit passed, an outcome that misfits."""
    card = RunCard.from_json(document["run_card"])
    reason = f": {card.outcome_reason}" if card.outcome_reason else ""
    warnings = []
    if card.outcome is Outcome.VOID:
        warnings.append(f"the run is void and does not count{reason}")
    elif card.outcome is Outcome.RIG_FAILURE:
        warnings.append(f"the rig failed{reason}")
    elif card.outcome is Outcome.COMPLETED and document["interrupted"]:
        warnings.append("the card says completed, but the recording was interrupted")
    lowest, hottest = figures.minimum_voltage, figures.peak_temperature
    warnings += _over_current(card, figures)
    if card.cutoff_v is not None and lowest is not None and lowest.value < card.cutoff_v:
        warnings.append(f"voltage fell to {lowest.value:.2f} V, under the cut-off of {card.cutoff_v:g} V")
    most = card.max_temperature_degc
    if most is not None and hottest is not None and hottest.value > most:
        warnings.append(f"the pack reached {hottest.value:.1f} °C, over the {most:g} °C of the card")
    return warnings


def _over_current(card: RunCard, figures: RunFigures) -> list[str]:
    """Return a warning where the mean current of a cut passes the card's limit; an inrush does not count."""
    means = {
        cut.number: cut.record.charge_ah * COULOMB_PER_AH / cut.record.covered_s
        for cut in numbered_cuts(figures)
        if cut.record.covered_s > 0
    }
    if card.max_current_a is None or not means:
        return []
    number, mean_a = max(means.items(), key=lambda pair: pair[1])
    if mean_a <= card.max_current_a:
        return []
    return [f"cut {number} drew {mean_a:.1f} A on average, over the {card.max_current_a:g} A of the card"]


def _reading(reading: dict[str, Any]) -> dict[str, Any]:
    """Return a typed reading; one that was typed after the run has no moment."""
    told = {key: reading.get(key) for key in ("t_s", "quantity", "value", "unit", "resolution")}
    return {**told, "after": reading.get("after", False)}


def _warnings_of_readings(document: dict[str, Any], figures: RunFigures) -> list[str]:
    """Return what is to be said of single readings: clipped, missing, suspect."""
    warnings = []
    accounting = figures.accounting
    if accounting is not None and accounting.clipped:
        names = ", ".join(sorted(document["clipped"]))
        warnings.append(f"{accounting.clipped} samples are clipped ({names}): peaks there are lower bounds")
    if accounting is not None and any(accounting.missing.values()):
        counts = [f"{count} of {name}" for name, count in sorted(accounting.missing.items()) if count]
        warnings.append(
            f"readings are missing: {', '.join(counts)}; means and integrals leave longer holes out"
        )
    if figures.speed is not None and figures.speed.suspect_readings:
        suspect = figures.speed.suspect_readings
        readings, were = ("reading", "was") if suspect == 1 else ("readings", "were")
        warnings.append(
            f"{suspect} speed {readings} doubled or halved for a moment and {were} left out: "
            "check the tachometer"
        )
    return warnings


def _mean_speed(figures: RunFigures, known: RunUncertainty) -> dict[str, Any] | None:
    """Return the mean over all time covered, standstill included."""
    mean = None if figures.speed is None else figures.speed.mean
    if mean is None:
        return None
    u = known.of_channel(SPEED, mean, known.readings(SPEED, figures.duration_s))
    return Figure(mean, u, "1/min").as_json()


def _lowest_group(figures: RunFigures) -> dict[str, Any] | None:
    lowest = figures.lowest_group
    return None if lowest is None else {"group": lowest.group, **lowest.voltage.as_json()}


def _channel(channel: ChannelFigures) -> dict[str, Any]:
    return {
        "mean": channel.mean,
        "integral": channel.integral,
        "lowest": channel.lowest,
        "highest": channel.highest,
        "covered_s": channel.covered_s,
        "readings": channel.readings,
    }


def _json(figure: Figure | None) -> dict[str, Any] | None:
    return None if figure is None else figure.as_json()
