"""A workbench without ports or files: each test says what is in reach, and sees what was asked for."""

import threading
from dataclasses import dataclass, field, replace
from pathlib import Path

from capture.errors import DeviceNotFound, RecordingDamaged
from capture.links.finding import NOT_ASKED, FoundLogger
from capture.run_card import Outcome, RunCard
from capture.storage.shelf import ShelvedRecording

VIRTUAL = FoundLogger(
    "sim:polesaw",
    "virtual",
    "virtual pole saw, heron",
    "virtual 1.0",
    ("current_a", "voltage_v", "speed_rpm"),
    "built in, without hardware",
)
BENCH = FoundLogger(
    "serial:/dev/ttyACM0",
    "serial",
    "bench logger",
    "0.3",
    ("current_a", "voltage_v", "pack_temperature_degc"),
    "fabricated UART",
)
SILENT = FoundLogger("serial:/dev/ttyUSB1", "serial", port="other UART", trouble="nothing answers. Check it.")
UNASKED = FoundLogger("serial:/dev/ttyS0", "serial", trouble=NOT_ASKED)


def shelved(number, **changes):
    """Return a recording of the shelf; those with a higher number are newer."""
    told = {
        "path": Path(f"recordings/run-{number}.parquet"),
        "started": f"2026-11-{number:02d}T09:45:10+00:00",
        "card": RunCard("timed cut", "heron", "polesaw", outcome=Outcome.COMPLETED),
        "duration_s": 187.0,
        "samples": 93_500,
        "lost_samples": 0,
        "interrupted": False,
    }
    return ShelvedRecording(**{**told, **changes})


@dataclass
class FakeWorkbench:
    """Has `loggers` and `shelf`; `sessions` are given out by address, the demo's as `demo`.

    `may_answer` and `may_recover` hold a search and a recovery back until a test has looked at the screen.
    """

    loggers: list = field(default_factory=list)
    shelf: list = field(default_factory=list)
    unreadable: list = field(default_factory=list)
    interrupted: list = field(default_factory=list)
    sessions: dict = field(default_factory=dict)
    asked: list = field(default_factory=list)
    folder: Path = Path("recordings")
    may_answer: threading.Event = field(default_factory=threading.Event)
    may_recover: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self):
        self.may_answer.set()
        self.may_recover.set()

    def find_loggers(self):
        self.asked.append("look")
        first, *others = self.loggers or [None]
        if first is not None:
            yield first
        assert self.may_answer.wait(timeout=30)
        yield from others

    def stop_looking(self):
        self.asked.append("stop looking")
        self.may_answer.set()

    def recover(self, progress):
        if self.interrupted:
            self.asked.append("recover")
            progress(30, 100)
            assert self.may_recover.wait(timeout=30)
            progress(100, 100)
        finished, self.interrupted = self.interrupted, []
        return finished

    def recordings(self):
        return self.shelf, self.unreadable

    def open_logger(self, address):
        self.asked.append(f"open {address}")
        if address not in self.sessions:
            raise DeviceNotFound("no such port", address, "Plug the logger in and check the port's name.")
        return self.sessions[address]

    def open_demo(self):
        return self.open_logger("demo")

    def complete(self, card):
        self.asked.append(f"complete {card.pack}")
        return replace(card, cutoff_v=28.0)

    def read(self, recording, progress):
        self.asked.append(f"read {recording}")
        progress(0)
        raise RecordingDamaged("is not a file", str(recording), "Give a recording.")

    def amend(self, recording, amendments):
        raise NotImplementedError(recording, amendments)
