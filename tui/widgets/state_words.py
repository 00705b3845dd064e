"""The words and shapes of every state, and what each means: one table for the status lines and the help.

A state is told by its shape and its word; the tone only adds a colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from capture.engine.snapshot import LinkState, RecordingState
from capture.pack_limits import AlarmKind
from tui.widgets.chart_picture import GAP_SIGN


class Tone(Enum):
    """How urgent a state is; the value is the style of its word."""

    GOOD = "bold $background on $success"
    WAITING = "bold $background on $warning"
    BAD = "bold $background on $error"
    PLAIN = "bold $background on $foreground"


@dataclass(frozen=True, slots=True)
class StateWord:
    """A state as people read it."""

    shape: str
    word: str
    tone: Tone
    meaning: str

    @property
    def label(self) -> str:
        """Return shape and word, such as `● STREAMING`."""
        return f"{self.shape} {self.word}"


LINK_WORDS: Final = {
    LinkState.CONNECTING: StateWord(
        "◌", "CONNECTING", Tone.WAITING, "looking for the logger; nothing is read yet"
    ),
    LinkState.STREAMING: StateWord("●", "STREAMING", Tone.GOOD, "samples arrive"),
    LinkState.SILENT: StateWord(
        "◐",
        "SILENT",
        Tone.WAITING,
        "the link is open and nothing comes: the figures are stale, for as long as is shown",
    ),
    LinkState.RECONNECTING: StateWord(
        "↺",
        "RECONNECTING",
        Tone.WAITING,
        "the link went away and is sought again; a recording goes on, and what the logger kept is fetched",
    ),
    LinkState.LOST: StateWord("✕", "LOST", Tone.BAD, "the logger went away: check its plug and its power"),
    LinkState.FAILED: StateWord(
        "▲", "FAILED", Tone.BAD, "the logger was never reached: the reason stands beside it"
    ),
    LinkState.CLOSED: StateWord("○", "CLOSED", Tone.PLAIN, "the link was let go"),
}

RECORDING_WORDS: Final = {
    RecordingState.OFF: StateWord("□", "NOT RECORDING", Tone.PLAIN, "figures are shown and nothing is kept"),
    RecordingState.RUNNING: StateWord(
        "■", "RECORDING", Tone.GOOD, "every sample goes to the file named beside it"
    ),
    RecordingState.SAVING: StateWord("▼", "SAVING", Tone.WAITING, "the file is being sealed and checked"),
    RecordingState.SAVED: StateWord("✓", "SAVED", Tone.GOOD, "the file is complete and was read back"),
    RecordingState.INTERRUPTED: StateWord(
        "▲", "INTERRUPTED", Tone.BAD, "writing failed: what was written is kept and can be recovered"
    ),
}

ARMED: Final = StateWord(
    "◇", "ARMED", Tone.WAITING, "a load starts the recording by itself, with the seconds before it"
)

GAP: Final = StateWord(
    GAP_SIGN, "GAP", Tone.BAD, "samples are lost for good; the chart has the same sign where they would be"
)

RECOVERING: Final = StateWord(
    "↻", "RECOVERING", Tone.WAITING, "the logger sends again what was lost on the way, from what it has kept"
)

ALARM: Final = StateWord(
    "▲▲", "ALARM", Tone.PLAIN, "a limit of the run card is passed: the whole screen flashes"
)

PROVISIONAL: Final = StateWord(
    "┄",
    "PROVISIONAL",
    Tone.WAITING,
    "earlier samples are missing and may yet come: the figures of the moment run ahead of the sums",
)

LOOKING: Final = StateWord(
    "◌", "LOOKING", Tone.WAITING, "ports are asked who is there; they fill in as they answer"
)
LOOKED: Final = StateWord("✓", "LOOKED", Tone.PLAIN, "every port has answered, or has had its time")
FINISHING: Final = StateWord(
    "▼", "FINISHING", Tone.WAITING, "a recording that was interrupted is made whole from its journal"
)

FROZEN: Final = StateWord("‖", "FROZEN", Tone.WAITING, "the view stands still; the recording goes on")

#: States beside those of link and recording.
OTHER_WORDS: Final = (ARMED, RECOVERING, PROVISIONAL, GAP, FROZEN, ALARM)


@dataclass(frozen=True, slots=True)
class AlarmWords:
    """An alarm as people read it, and what to do."""

    words: str
    advice: str


ALARM_WORDS: Final = {
    AlarmKind.VOLTAGE_LOW: AlarmWords("VOLTAGE LOW", "stop: deep discharge harms the pack"),
    AlarmKind.GROUP_LOW: AlarmWords("VOLTAGE LOW", "stop: deep discharge harms the cells"),
    AlarmKind.CURRENT_HIGH: AlarmWords("CURRENT HIGH", "ease off"),
    AlarmKind.TEMPERATURE_HIGH: AlarmWords("PACK HOT", "stop and let it cool"),
}
