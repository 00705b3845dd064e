"""The limits of a pack, as the run card has them, and what passes them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from capture.run_card import RunCard

#: Below this share of its cut-off a pack is switched off, or not there. Common practice, no source.
NO_PACK_SHARE: Final = 0.5
_GROUP: Final = re.compile(r"group_\d+_v")
_PACK_TEMPERATURE: Final = re.compile(r"(pack|cell|group)\w*_degc")


class AlarmKind(Enum):
    """What passed its limit."""

    VOLTAGE_LOW = "voltage low"
    GROUP_LOW = "group low"
    CURRENT_HIGH = "current high"
    TEMPERATURE_HIGH = "temperature high"


@dataclass(frozen=True, slots=True)
class Alarm:
    """A limit that is passed now: what was read and what the limit is, both in `unit`.

    `where` names the channel, such as `group_3` or `pack_temperature`.
    """

    kind: AlarmKind
    where: str
    value: float
    limit: float
    unit: str


def passed(latest: Mapping[str, float | None], card: RunCard) -> Iterator[Alarm]:
    """Yield what passes a limit of the card. The limit of a group is its share of the pack's."""
    per_group_v = None if card.cutoff_v is None or not card.series else card.cutoff_v / card.series
    for column, value in latest.items():
        if value is None:
            continue
        if column == "voltage_v" and card.cutoff_v is not None and _is_low(value, card.cutoff_v):
            yield Alarm(AlarmKind.VOLTAGE_LOW, "voltage", value, card.cutoff_v, "V")
        elif per_group_v is not None and _GROUP.fullmatch(column) and _is_low(value, per_group_v):
            yield Alarm(AlarmKind.GROUP_LOW, column.removesuffix("_v"), value, per_group_v, "V")
        elif column == "current_a" and card.max_current_a is not None and value > card.max_current_a:
            yield Alarm(AlarmKind.CURRENT_HIGH, "current", value, card.max_current_a, "A")
        elif _PACK_TEMPERATURE.fullmatch(column) and _exceeds(value, card.max_temperature_degc):
            limit = card.max_temperature_degc or 0.0
            yield Alarm(AlarmKind.TEMPERATURE_HIGH, column.removesuffix("_degc"), value, limit, "Cel")


def _is_low(value: float, limit: float) -> bool:
    """Return whether a pack is below its cut-off. Far below there is none: taken out, or switched off."""
    return NO_PACK_SHARE * limit < value < limit


def _exceeds(value: float, limit: float | None) -> bool:
    return limit is not None and value > limit
