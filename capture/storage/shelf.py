"""The shelf: what the recordings in a folder say of themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from capture.run_card import RunCard


@dataclass(frozen=True, slots=True)
class ShelvedRecording:
    """One recording on the shelf: when it began (ISO 8601, UTC), its run card, how long it is."""

    path: Path
    started: str
    card: RunCard
    duration_s: float
    samples: int
    lost_samples: int
    interrupted: bool
