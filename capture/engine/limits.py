"""Limits: what the run card says must not be passed, and what passes it now.

The figures of the moment are compared, means over a fifth of a second: an inrush of milliseconds is no alarm,
a load that stays is one. An alarm stands until the limit has been kept again for HOLD_S, with the worst that
was read meanwhile, so that whoever looks up from the work still sees it.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from capture.engine.snapshot import Alarm, AlarmKind

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from capture.run_card import RunCard

HOLD_S: Final = 2.0
#: Below this share of its cut-off a pack is switched off, or not there. Common practice, no source.
NO_PACK_SHARE: Final = 0.5
_GROUP: Final = re.compile(r"group_\d+_v")
_PACK_TEMPERATURE: Final = re.compile(r"(pack|cell|group)\w*_degc")


class LimitWatch:
    """The alarms of the moment."""

    def __init__(self) -> None:
        self._standing: dict[tuple[AlarmKind, str], tuple[Alarm, float]] = {}

    def alarms(self, latest: Mapping[str, float | None], card: RunCard, now: float) -> tuple[Alarm, ...]:
        """Return what passes its limit at `now` (seconds) or did a moment ago; `latest` maps columns."""
        for alarm in passed(latest, card):
            key = (alarm.kind, alarm.where)
            known, _ = self._standing.get(key, (alarm, now))
            self._standing[key] = (_worse(known, alarm), now + HOLD_S)
        self._standing = {key: kept for key, kept in self._standing.items() if kept[1] > now}
        return tuple(alarm for alarm, _ in self._standing.values())


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


def _worse(known: Alarm, now: Alarm) -> Alarm:
    """Return the alarm with the worse reading; the limit is the newer one's."""
    low = now.kind in {AlarmKind.VOLTAGE_LOW, AlarmKind.GROUP_LOW}
    return replace(now, value=min(known.value, now.value) if low else max(known.value, now.value))
