"""The summary of a stored run: the same folds as live, over the recording's blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from capture.folds.run import ELECTRICAL, folds_for
from capture.quantities import Figure
from capture.run_card import RunCard

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.folds.figures import ChannelFigures, RunFigures
    from capture.storage.recording import Recording

#: Below this a rest says more of the last load than of the charge state. Common practice, no source.
SHORT_REST_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Summary:
    """A run in figures, with what a reader should know before believing them."""

    recording: Recording
    figures: RunFigures
    warnings: tuple[str, ...]

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
            "mean_speed": _mean_speed(figures),
            "lowest_group": _lowest_group(figures),
            "peak_temperature": _json(figures.peak_temperature),
            "channels": {name: _channel(channel) for name, channel in figures.channels.items()},
            "marks": [{"t_s": mark["t_s"], "text": mark["text"]} for mark in document["marks"]],
            "notes": [note["text"] for note in document.get("notes", [])],
            "started": document["opened"],
            "ended": document["ended"],
            "interrupted": document["interrupted"],
            "run_card": document["run_card"],
            "warnings": list(self.warnings),
        }


def summarise(recording: Recording, progress: Callable[[int], None] = lambda _rows: None) -> Summary:
    """Return the summary of `recording`; `progress` is told the rows done so far."""
    folds = folds_for(RunCard.from_json(recording.document["run_card"]), recording.divisors)
    rows = 0
    for block in recording.blocks():
        folds.feed([block])
        rows += len(block)
        progress(rows)
    figures = folds.figures()
    return Summary(recording, figures, tuple(_warnings(recording, figures)))


def _warnings(recording: Recording, figures: RunFigures) -> list[str]:
    document = recording.document
    warnings = []
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


def _mean_speed(figures: RunFigures) -> dict[str, Any] | None:
    """Return the mean over all time covered, standstill included."""
    mean = None if figures.speed is None else figures.speed.mean
    return None if mean is None else Figure(mean, None, "1/min").as_json()


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
