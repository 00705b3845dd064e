"""The run card: what a person knows about a run and no sensor can tell."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class RunCard:
    """Kind of run, pack, tool and the operator's note; what is not known is None or empty.

    `series` is how many groups of cells the pack has in a row, `cutoff_v` the voltage of the whole pack under
    load at which it is to stop; the remaining time needs both.
    """

    kind: str | None = None
    pack: str | None = None
    tool: str | None = None
    note: str = ""
    series: int | None = None
    cutoff_v: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the card as it stands in a recording."""
        return asdict(self)

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> RunCard:
        """Return the card of a recording; fields of a later version are passed over."""
        return cls(
            kind=document.get("kind"),
            pack=document.get("pack"),
            tool=document.get("tool"),
            note=document.get("note") or "",
            series=document.get("series"),
            cutoff_v=document.get("cutoff_v"),
        )
