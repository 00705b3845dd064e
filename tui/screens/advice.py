"""What stands in place of an empty chart: how things are and what to do next. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from capture.engine.snapshot import LinkState
from tui.formatting import plain

if TYPE_CHECKING:
    from capture.engine.snapshot import LinkStatus, Snapshot

#: In the notice area at the start.
SHORT_CAUTION: Final = "Current burns, packs can catch fire, blades cut. Cautions: press ?"

_DEFER: Final = (
    "Local codes, the makers' manuals of tool and pack, and licensed practice go before anything said here."
)
CAUTIONS: Final = (
    "A pack delivers hundreds of amperes into a short: cover bare terminals, fuse the rig near the pack.",
    "Take rings and watches off.",
    "Stop when a pack swells, smells, leaks or grows too hot to touch.",
    "Never go on below the cut-off voltage of its cells. Never leave it unwatched under load.",
    "Blades and chains move without a warning, and limbs fall: stand clear of both, with leads and laptop.",
    "Take the pack out before you touch tool or rig.",
    _DEFER,
)

#: The same on five lines, for a screen that has no room for the list.
COMPACT_CAUTION: Final = (
    "A pack burns and delivers hundreds of amperes into a short: cover terminals, fuse the rig, no rings or "
    "watches. Stop when it swells, smells, leaks or grows too hot to touch; never below its cut-off voltage, "
    "never unwatched under load. Blades and chains move without a warning, limbs fall: stand clear. Pack out "
    "before you touch tool or rig. Local codes, makers' manuals and licensed practice go before all of this."
)
_NEXT: Final = {
    LinkState.CONNECTING: "Plug the logger in and switch it on. Its first samples bring the figures.",
    LinkState.STREAMING: "The logger is there. Its first samples bring the figures.",
    LinkState.SILENT: "The link is open and nothing comes. Is the logger running? Press its reset button.",
    LinkState.RECONNECTING: "The logger went away and is sought again. Check its plug and its power.",
    LinkState.LOST: "The logger went away. Check its plug and its power.",
    LinkState.FAILED: "Press q, put it right, and start again.",
    LinkState.CLOSED: "The link was let go. Press q to leave.",
}


def has_readings(snapshot: Snapshot) -> bool:
    """Return whether there is anything to draw."""
    chart = snapshot.chart
    return chart is not None and any(bool(np.isfinite(column).any()) for column in chart.lowest.values())


def advice(link: LinkStatus) -> str:
    """Return the text for a chart without a reading."""
    where = plain(link.address)
    first = f"Connecting to {where}" if link.state is LinkState.CONNECTING else plain(link.message) or where
    return f"{first}\n\n{_NEXT[link.state]}\n\n{_DEFER}"
