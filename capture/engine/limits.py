"""Limits: what the run card says must not be passed, and what passes it now.

The figures of the moment are compared, means over a fifth of a second: an inrush of milliseconds is no alarm,
a load that stays is one. An alarm stands until the limit has been kept again for HOLD_S, with the worst that
was read meanwhile, so that whoever looks up from the work still sees it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from capture.pack_limits import Alarm, AlarmKind, passed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.run_card import RunCard

HOLD_S: Final = 2.0


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


def _worse(known: Alarm, now: Alarm) -> Alarm:
    """Return the alarm with the worse reading; the limit is the newer one's."""
    low = now.kind in {AlarmKind.VOLTAGE_LOW, AlarmKind.GROUP_LOW}
    return replace(now, value=min(known.value, now.value) if low else max(known.value, now.value))
