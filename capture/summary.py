"""The summary of a stored run: the same folds as live, over the recording's blocks."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from capture.calibration.told import calibrations_of, not_calibrated
from capture.cautions.all_of_them import cautions
from capture.cautions.facts import Facts
from capture.figure_uncertainty import RunUncertainty, run_uncertainty, with_uncertainties
from capture.folds.run import folds_for
from capture.folds.speed import SPEED
from capture.overview import OverviewBuilder
from capture.quantities import Figure
from capture.rig_burden import no_burden, rig_burden
from capture.run_card import RunCard
from capture.storage.amendments import merged

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.folds.figures import ChannelFigures, RunFigures
    from capture.overview import Overview
    from capture.storage.amendments import Amendments
    from capture.storage.recording import Recording

#: What is worth a look over a whole run.
CHARTED: Final = ("current_a", "voltage_v", "speed_rpm")


@dataclass(frozen=True, slots=True)
class Summary:
    """A run in figures, with what a reader should know before believing them, and how it looks.

    `figures` are those of the folds, equal to the live ones to the bit; `stated` has their uncertainties.
    """

    recording: Recording
    figures: RunFigures
    warnings: tuple[str, ...]
    overview: Overview = field(compare=False)
    known: RunUncertainty = field(default_factory=RunUncertainty, compare=False)

    @property
    def card(self) -> RunCard:
        """The run card, amended."""
        return RunCard.from_json(self.recording.document["run_card"])

    @property
    def stated(self) -> RunFigures:
        """The figures, each with its uncertainty."""
        return with_uncertainties(self.figures, self.known)

    def amended_by(self, added: Amendments) -> Summary:
        """Return the summary with amendments in the document and the warnings that follow from them.

        No sample is read again: of the figures only `remaining` depends on the card, and stays. Raises
        ValueError where they name a mark that the run has not.
        """
        recording = replace(self.recording, document=merged(self.recording.document, added))
        warnings = _warnings(recording, self.figures, self.known)
        return Summary(recording, self.figures, warnings, self.overview, self.known)

    def as_json(self) -> dict[str, Any]:
        """Return the summary as the command line prints it."""
        figures, document = self.stated, self.recording.document
        burden = rig_burden(document, figures, self.known)
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
            **(no_burden() if burden is None else burden.as_json()),
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
            "calibrations": calibrations_of(document),
            "not_calibrated": not_calibrated(document),
            "recalibrated": document.get("recalibrated", []),
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
    return Summary(recording, figures, _warnings(recording, figures, known), overview.overview(), known)


def _warnings(recording: Recording, figures: RunFigures, known: RunUncertainty) -> tuple[str, ...]:
    """Return the cautions of a run."""
    card = RunCard.from_json(recording.document["run_card"])
    columns = frozenset(recording.columns)
    stated = with_uncertainties(figures, known)
    return cautions(Facts(recording.document, card, columns, stated, known, recording.amendments_fault))


def _reading(reading: dict[str, Any]) -> dict[str, Any]:
    """Return a typed reading; one that was typed after the run has no moment."""
    told = {key: reading.get(key) for key in ("t_s", "quantity", "value", "unit", "resolution")}
    return {**told, "after": reading.get("after", False)}


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
