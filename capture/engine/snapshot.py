"""Snapshot: all that one refresh of a screen needs, frozen; the newest one wins."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from capture.folds.figures import RunFigures
    from capture.guide.steps import GuideReport
    from capture.pack_limits import Alarm
    from capture.run_card import RunCard


class LinkState(Enum):
    """How things stand with the logger."""

    CONNECTING = "connecting"
    STREAMING = "streaming"
    SILENT = "silent"  # the link is open and nothing comes
    RECONNECTING = "reconnecting"  # it went away and is sought again
    LOST = "lost"  # it went away
    FAILED = "failed"  # it never worked
    CLOSED = "closed"


class RecordingState(Enum):
    """How things stand with the recording."""

    OFF = "off"
    RUNNING = "running"
    SAVING = "saving"
    SAVED = "saved"
    INTERRUPTED = "interrupted"  # writing failed; the journal is kept for recovery


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """The link in words and counts. `message` is one line for the user, empty while all is well.

    `missing_samples` are those that newer ones wait for, `recovered_samples` came when asked for again,
    `lost_samples` never came. `ring_s` is for how long the logger keeps its samples, 0 where it keeps none.
    """

    state: LinkState
    address: str
    logger_name: str = ""
    message: str = ""
    rate_hz: float = 0.0
    lost_samples: int = 0
    recovered_samples: int = 0
    missing_samples: int = 0
    rejected_frames: int = 0
    silent_s: float = 0.0
    ring_s: float | None = None


@dataclass(frozen=True, slots=True)
class RecordingStatus:
    """The recording in words and counts. `path` is the file being written, or the one just saved.

    While `armed`, the next load starts a recording. `ends_in_s` is when the running one ends by itself unless
    the load comes back, None while it is not about to.
    """

    state: RecordingState = RecordingState.OFF
    path: Path | None = None
    message: str = ""
    samples: int = 0
    marks: int = 0
    waiting_fraction: float = 0.0  # how full the writer's queue is, 0 to 1
    disk_minutes_left: float | None = None
    armed: bool = False
    ends_in_s: float | None = None


@dataclass(frozen=True, slots=True)
class ChannelFace:
    """How a channel presents itself: its column, and quantity and unit for people."""

    column: str
    quantity: str
    unit: str


@dataclass(frozen=True, slots=True)
class ShadedCut:
    """A cut on the time axis of a chart: its number in the run, counted from 1, and where it lies."""

    number: int
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class ChartWindow:
    """The latest stretch of time as minimum and maximum per time bin, oldest first.

    `lowest` and `highest` map a column to n float64 values, NaN in bins without a reading. The last bin
    ends at `end_s`, seconds on the same axis as `marks_s` and `cuts`; each bin is `bin_s` long. From
    `provisional_from_s` on samples are missing that may yet come, None while none are.
    """

    end_s: float
    bin_s: float
    lowest: Mapping[str, npt.NDArray[np.float64]]
    highest: Mapping[str, npt.NDArray[np.float64]]
    marks_s: tuple[float, ...] = ()
    provisional_from_s: float | None = None
    cuts: tuple[ShadedCut, ...] = ()

    def __len__(self) -> int:
        return max((len(column) for column in self.lowest.values()), default=0)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One moment of a session.

    `latest` maps a column to the mean over the latest fifth of a second (None without a reading), `power_w`
    is the mean of voltage times current over the same samples, `rest_v` the voltage of the latest rest since
    connecting. `figures` are those of the running recording, of the one just finished, or else of the time
    since connecting, with the newest samples included though their grid cell is not full; `run_s` is how
    long these samples span. While samples are missing (`link.missing_samples`), `latest` and the chart know
    newer ones than `figures` do: they are provisional. `guide` is how the guided test of the running
    recording stands, or of the one just finished; None where there is none.
    """

    link: LinkStatus
    recording: RecordingStatus = field(default_factory=RecordingStatus)
    channels: tuple[ChannelFace, ...] = ()
    latest: Mapping[str, float | None] = field(default_factory=dict)
    power_w: float | None = None
    rest_v: float | None = None
    figures: RunFigures | None = None
    run_s: float = 0.0
    chart: ChartWindow | None = None
    card: RunCard | None = None  # of the running recording, or of the next one
    alarms: tuple[Alarm, ...] = ()
    guide: GuideReport | None = None
    notice: str = ""  # the last thing done on request, such as "mark 3 at 12.4 s"
