"""Amendments: what was learnt of a run after it had ended, in a small file beside the recording."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.events import TypedReading


@dataclass(frozen=True, slots=True)
class Amendments:
    """What replaces or adds to a recording's own document when it is read.

    `card` holds the fields of the run card that differ from the recording's own, by name; `notes` and
    `readings` are added behind those of the run; `mark_texts` replaces the text of a mark, counted from 1.
    """

    card: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    readings: tuple[TypedReading, ...] = ()
    mark_texts: Mapping[int, str] = field(default_factory=dict)
