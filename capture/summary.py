"""The summary of a stored run: the same folds as live, over the recording's blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from capture.blocks import Quality
from capture.folds.run import ELECTRICAL, RunFigures, RunFolds

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.quantities import Figure
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
            "gaps": [{"start_s": gap["start_s"], "end_s": gap["end_s"]} for gap in document["gaps"]],
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
            "marks": [{"t_s": mark["t_s"], "text": mark["text"]} for mark in document["marks"]],
            "started": document["opened"],
            "ended": document["ended"],
            "interrupted": document["interrupted"],
            "run_card": document["run_card"],
            "warnings": list(self.warnings),
        }


def summarise(recording: Recording, progress: Callable[[int], None] = lambda _rows: None) -> Summary:
    """Return the summary of `recording`; `progress` is told the rows done so far."""
    folds = RunFolds()
    rows = clipped = 0
    for block in recording.blocks():
        folds.feed([block])
        rows += len(block)
        clipped += int(np.count_nonzero(block.quality & np.uint32(Quality.CLIPPED)))
        progress(rows)
    figures = folds.figures()
    return Summary(recording, figures, tuple(_warnings(recording, figures, clipped)))


def _warnings(recording: Recording, figures: RunFigures, clipped: int) -> list[str]:
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
    if clipped:
        names = ", ".join(sorted(document["clipped"]))
        warnings.append(f"{clipped} samples are clipped ({names}): peaks there are lower bounds")
    if figures.energy is not None and figures.rest_voltage is None:
        warnings.append("no rest before the first load: there is no rest voltage and no drop from it")
    elif figures.rested_s is not None and figures.rested_s < SHORT_REST_S:
        warnings.append(
            f"the pack rested only {figures.rested_s:.1f} s in the recording before the first load"
        )
    return warnings


def _json(figure: Figure | None) -> dict[str, Any] | None:
    return None if figure is None else figure.as_json()
