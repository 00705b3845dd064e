"""The opening of a run: all that must be known before its first sample."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from capture.calibration.logger import CalibratedLogger
from capture.path import LoggerDescription
from capture.placing import Position
from capture.run_card import RunCard
from firmware_protocol.codec import decode, encode
from firmware_protocol.messages import Channel, Identity

if TYPE_CHECKING:
    from collections.abc import Mapping


def software_version() -> str:
    """Return the version of this program."""
    try:
        return version("sagline")
    except PackageNotFoundError:
        return "unknown"


@dataclass(frozen=True)
class Opening:
    """All that must be known before the first sample: who, what, and where the stream stood.

    `opened_ns` is the host's UNIX time; `logger` is kept as the very messages it sent; `zeros` are the
    offsets that had been set before the run, by column.
    """

    opened_ns: int
    logger: LoggerDescription
    card: RunCard = field(default_factory=RunCard)
    start: Position | None = None
    sample_limit: int | None = None
    zeros: Mapping[str, float] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """Return the opening as the journal keeps it."""
        return {
            "opened_ns": self.opened_ns,
            "software": software_version(),
            "address": self.logger.address,
            "identity": encode(self.logger.identity).hex(),
            "channels": [encode(channel).hex() for channel in self.logger.channels],
            "run_card": self.card.as_json(),
            "start": None if self.start is None else asdict(self.start),
            "sample_limit": self.sample_limit,
            "zeros": dict(self.zeros),
            "calibrated": self.logger.calibrated.as_json(),
        }

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> Opening:
        """Return the opening of a journal; raise ValueError or KeyError where it makes no sense."""
        identity = decode(bytes.fromhex(document["identity"]))
        channels = [decode(bytes.fromhex(payload)) for payload in document["channels"]]
        if not isinstance(identity, Identity):
            raise TypeError("the opening holds no identity")
        known = tuple(channel for channel in channels if isinstance(channel, Channel))
        start = document["start"]
        told = document.get("calibrated")
        calibrated = CalibratedLogger() if told is None else CalibratedLogger.from_json(told)
        return cls(
            opened_ns=int(document["opened_ns"]),
            logger=LoggerDescription(identity, known, str(document["address"]), calibrated),
            card=RunCard.from_json(document["run_card"]),
            start=None if start is None else Position(**start),
            sample_limit=document["sample_limit"],
            zeros=dict(document["zeros"]),
        )
