"""Host events: what happened to a run beside the bytes of its logger.

The journal keeps each with the host's time, in its place among the bytes; replaying a run is feeding the same
bytes and the same events to the same `Run`.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final


@dataclass(frozen=True, slots=True)
class Moment:
    """When: the host's UNIX time, and where the stream stood: its newest sample's successor.

    `index` and `tick_us` are None before the first sample.
    """

    host_ns: int
    segment: int
    index: int | None
    tick_us: int | None


@dataclass(frozen=True, slots=True)
class Mark:
    """The operator marked the moment; `text` may be empty."""

    at: Moment
    text: str


@dataclass(frozen=True, slots=True)
class Note:
    """The operator wrote something about the run as a whole."""

    at: Moment
    text: str


@dataclass(frozen=True, slots=True)
class TypedReading:
    """What a gauge without an output showed, as the operator typed it.

    `value` is in `unit`, as people write it; `resolution` is the gauge's smallest step in the same unit, None
    where it was not told.
    """

    quantity: str
    value: float
    unit: str
    resolution: float | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """The operator read a gauge; the fields beside the moment are those of `TypedReading`."""

    at: Moment
    quantity: str
    value: float
    unit: str
    resolution: float | None = None


@dataclass(frozen=True, slots=True)
class Zero:
    """From `at` on, `offset` (in the unit of `column`) is taken from what the logger's description gives.

    It replaces an earlier zero of the column; samples that came before keep theirs.
    """

    at: Moment
    column: str
    offset: float


@dataclass(frozen=True, slots=True)
class LinkLost:
    """The link went away; what had begun to arrive is void."""

    at: Moment
    why: str


@dataclass(frozen=True, slots=True)
class LinkBack:
    """The logger answers again."""

    at: Moment


@dataclass(frozen=True, slots=True)
class GapDeclared:
    """The host gave up waiting: what is missing before `end_index` is lost, for the reason `why`."""

    at: Moment
    end_index: int
    why: str


@dataclass(frozen=True, slots=True)
class Ending:
    """The run is to end before `end_index`; what is still missing until there may yet come."""

    at: Moment
    end_index: int


@dataclass(frozen=True, slots=True)
class Ended:
    """The run is over; `how` says in words why, `interrupted` that nobody wanted it."""

    at: Moment
    how: str
    interrupted: bool


Event = Mark | Note | Reading | Zero | LinkLost | LinkBack | GapDeclared | Ending | Ended

_NAMES: Final[dict[str, type[Event]]] = {
    "mark": Mark,
    "note": Note,
    "reading": Reading,
    "zero": Zero,
    "link_lost": LinkLost,
    "link_back": LinkBack,
    "gap_declared": GapDeclared,
    "ending": Ending,
    "ended": Ended,
}
_NAME_OF: Final = {kind: name for name, kind in _NAMES.items()}


def event_document(event: Event) -> dict[str, Any]:
    """Return `event` as the journal keeps it."""
    return {"event": _NAME_OF[type(event)], **asdict(event)}


def event_from(document: dict[str, Any]) -> Event:
    """Return the event of a journal; raise KeyError, TypeError or ValueError where it is none."""
    fields = dict(document)
    kind = _NAMES[fields.pop("event")]
    return kind(at=Moment(**fields.pop("at")), **fields)
