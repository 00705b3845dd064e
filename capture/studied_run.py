"""A stored run ready for the studies: its figures, its samples as arrays, and how well they are known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capture.cut_figures import numbered_cuts
from capture.studies.columns import RunColumns, Span
from capture.summary import summarise

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from capture.run_card import RunCard
    from capture.storage.recording import Recording
    from capture.summary import Summary
    from capture.uncertainty.channels import ChannelUncertainty


@dataclass(frozen=True, slots=True, eq=False)
class StudiedRun:
    """What a study needs of a run; `cuts` in seconds since the first sample, like the columns' time."""

    summary: Summary
    columns: RunColumns
    cuts: tuple[Span, ...]
    uncertainties: Mapping[str, ChannelUncertainty]

    @property
    def card(self) -> RunCard:
        """The run card, amended."""
        return self.summary.card


def study(
    recording: Recording,
    names: Iterable[str] | None = None,
    progress: Callable[[int], None] = lambda _rows: None,
) -> StudiedRun:
    """Return a recording ready for the studies, with only the columns `names` where they are given.

    `progress` is told the rows done so far, of twice as many as the recording has.
    """
    summary = summarise(recording, progress)
    columns = RunColumns.of(
        recording.blocks(),
        interval_s=recording.document["logger"]["interval_ns"] * 1e-9,
        divisors=recording.divisors,
        names=names,
        clipped=None if "imported" in recording.document else recording.document["clipped"],
        progress=lambda rows: progress(recording.rows + rows),
    )
    first_us = summary.figures.first_tick_us or 0
    cuts = tuple(
        Span((cut.record.start_us - first_us) * 1e-6, (cut.record.end_us - first_us) * 1e-6)
        for cut in numbered_cuts(summary.figures)
    )
    return StudiedRun(summary, columns, cuts, summary.known.channels)
