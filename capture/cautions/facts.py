"""What a caution may look at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.figure_uncertainty import RunUncertainty
    from capture.folds.figures import RunFigures
    from capture.run_card import RunCard


@dataclass(frozen=True, slots=True)
class Facts:
    """A run: the document beside its samples, its card, its columns and figures, and how well it is known."""

    document: Mapping[str, Any]
    card: RunCard
    columns: frozenset[str]
    figures: RunFigures
    known: RunUncertainty
    amendments_fault: str | None = None

    def channel(self, column: str) -> Mapping[str, Any]:
        """Return the row of the channel table of a column, empty where there is none."""
        rows = (row for row in self.document.get("channels", []) if row["column"] == column)
        return next(rows, {})
