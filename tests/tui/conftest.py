"""A session without threads, links or clocks: each test says what it tells, and sees what it was asked."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from fake_workbench import FakeWorkbench

from capture.engine.snapshot import (
    ChannelFace,
    ChartWindow,
    LinkState,
    LinkStatus,
    RecordingState,
    RecordingStatus,
    ShadedCut,
    Snapshot,
)
from capture.folds.cut_record import CutRecord, Sag
from capture.folds.figures import ChannelFigures, RunFigures, SpeedFigures
from capture.folds.phases import GAP, Phases
from capture.folds.remaining_time import Remaining
from capture.folds.speed import SpeedState
from capture.quantities import Figure
from capture.run_card import RunCard
from tui.app import SaglineApp

if TYPE_CHECKING:
    from capture.events import TypedReading

BINS = 2400
BIN_S = 0.025
END_S = 187.0


def limb_cuts(*, end_s: float = END_S) -> ChartWindow:
    """Return a minute of a saw: a cut of nine seconds in every fifteen, an inrush, a gap and two marks."""
    bin_number = round(end_s / BIN_S) - np.arange(BINS, 0, -1)
    t = bin_number * BIN_S
    cutting = bin_number % 600 < 360
    ripple = 2.0 + np.sin(37.0 * t) ** 2
    current = np.where(cutting, 29.0 + 4.0 * np.sin(3.0 * t), 0.3)
    low, high = np.where(cutting, current - ripple, 0.2), np.where(cutting, current + ripple, 0.4)
    high[bin_number % 600 == 4] = 62.4
    low[1490:1540] = high[1490:1540] = np.nan
    speed = np.where(cutting, 3990.0 + 60.0 * np.cos(2.0 * t), 30.0)
    rest = 39.6 - 0.01 * (t - t[0])
    return ChartWindow(
        end_s=end_s,
        bin_s=BIN_S,
        lowest={"current_a": low, "voltage_v": rest - 0.09 * high, "speed_rpm": speed - 30.0},
        highest={"current_a": high, "voltage_v": rest - 0.09 * low, "speed_rpm": speed + 30.0},
        marks_s=(end_s - 48.0, end_s - 7.5),
        cuts=tuple(ShadedCut(number, 15.0 * number, 15.0 * number + 8.9) for number in range(8, 13)),
    )


def _phases(start_s: float, *, told: bool) -> Phases:
    """Return contact 0.7 s behind the start and severance 8.1 s later, or nothing told."""
    if not told:
        return Phases(untold=(GAP,))
    contact_us = round((start_s + 0.7) * 1e6)
    return Phases(contact_us=contact_us, severance_us=contact_us + 8_100_000, work_u_s=0.008)


def limb_cut(number: int, start_s: float) -> CutRecord:
    """Return the record of one cut of about nine seconds."""
    sag = Sag(4.80 + 0.01 * (number % 3), 12.1, 0.081)
    return CutRecord(
        start_us=round(start_s * 1e6),
        end_us=round((start_s + 8.9) * 1e6),
        covered_s=8.9,
        charge_ah=0.0703,
        energy_wh=2.61,
        mean_power_w=1055.7,
        peak_current_a=61.3 + 0.1 * number,
        rest_voltage_v=39.6 - 0.02 * number,
        rested_s=6.0,
        minimum_voltage_v=34.1,
        peak_sag=replace(sag, volts=sag.volts + 0.01 * (number == 12)),
        steady_sag=Sag(3.2, 8.1, 0.09),
        mean_speed_rpm=3987.0,
        lowest_speed_rpm=3870.0,
        mean_force_n=62.0,
        mean_torque_nm=None,
        has_gap=number == 10,
        phases=_phases(start_s, told=number != 10),
    )


CUTS = tuple(limb_cut(number, 15.0 * number) for number in range(1, 13))

FIGURES = RunFigures(
    duration_s=END_S,
    samples=187_000,
    charge=Figure(0.912, 0.004, "Ah"),
    charge_discharged=Figure(0.915, 0.004, "Ah"),
    charge_returned=Figure(0.003, 0.001, "Ah"),
    energy=Figure(33.27, 0.2, "Wh"),
    energy_discharged=Figure(33.38, 0.2, "Wh"),
    energy_returned=Figure(0.11, 0.02, "Wh"),
    peak_current=Figure(62.4, 0.5, "A"),
    peak_power=Figure(2114.0, 20.0, "W"),
    minimum_voltage=Figure(33.98, 0.02, "V"),
    rest_voltage=Figure(39.6, 0.01, "V"),
    rested_s=12.0,
    drop_from_rest=Figure(5.62, 0.03, "V"),
    cuts=12,
    cut_records=CUTS,
    latest_cut=CUTS[-1],
    speed=SpeedFigures(SpeedState.TURNING, 3987.0, None, 3500.0, 3991.0, 3870.0, 4320.0, 0),
    channels={"force_n": ChannelFigures(40.0, 7000.0, END_S, 0.0, 84.2, 15_000)},
    remaining=Remaining(252.3, 200.9, 341.2),
    first_tick_us=0,
)

CHANNELS = (
    ChannelFace("current_a", "current", "A"),
    ChannelFace("voltage_v", "voltage", "V"),
    ChannelFace("speed_rpm", "speed", "1/min"),
    ChannelFace("force_n", "force", "N"),
    ChannelFace("pack_temperature_degc", "pack_temperature", "Cel"),
)

STREAMING = Snapshot(
    link=LinkStatus(
        LinkState.STREAMING, "sim:polesaw", logger_name="bench logger", rate_hz=1000.0, ring_s=4.1
    ),
    recording=RecordingStatus(RecordingState.OFF, disk_minutes_left=95.0),
    channels=CHANNELS,
    latest={
        "current_a": 31.52,
        "voltage_v": 36.42,
        "speed_rpm": 3987.0,
        "force_n": 61.7,
        "pack_temperature_degc": 41.3,
    },
    power_w=31.52 * 36.42,
    rest_v=39.6,
    figures=FIGURES,
    run_s=END_S,
    chart=limb_cuts(),
    card=RunCard("timed cut", "heron", "polesaw", series=10, cutoff_v=28.0),
)

RECORDING = replace(
    STREAMING,
    recording=RecordingStatus(
        RecordingState.RUNNING,
        path=Path("recordings/heron-oak-7.parquet"),
        samples=187_000,
        marks=2,
        disk_minutes_left=95.0,
    ),
    notice="mark 2 at 179.5 s",
)

CONNECTING = Snapshot(link=LinkStatus(LinkState.CONNECTING, "serial:/dev/ttyACM0"))


@dataclass
class FakeSession:
    """Tells `now` until it is asked for something; `asked` is all that it was asked for, in order.

    `may_close` holds `close` back until a test has looked at the screen.
    """

    now: Snapshot
    asked: list[str] = field(default_factory=list)
    may_close: threading.Event = field(default_factory=threading.Event)

    def open(self) -> None:
        self.asked.append("open")

    def snapshot(self) -> Snapshot:
        return self.now

    def _recording(self, state: RecordingState, notice: str, marks: int = 0) -> None:
        path = Path("recordings/heron-oak-8.parquet")
        recording = replace(self.now.recording, state=state, path=path, marks=marks)
        self.now = replace(self.now, recording=recording, notice=notice)

    def start_recording(self) -> None:
        self.asked.append("start")
        self._recording(RecordingState.RUNNING, "recording")

    def stop_recording(self) -> None:
        self.asked.append("stop")
        self._recording(RecordingState.SAVING, "saving")

    def mark(self, text: str = "") -> None:
        self.asked.append(f"mark{text}")
        marks = self.now.recording.marks + 1
        self._recording(RecordingState.RUNNING, f"mark {marks} at 187.0 s", marks)

    def note(self, text: str) -> None:
        self.asked.append(f"note {text}")

    def reading(self, reading: TypedReading) -> None:
        self.asked.append(f"reading {reading}")

    def zero(self, column: str) -> None:
        self.asked.append(f"zero {column}")

    def arm(self, *, armed: bool) -> None:
        self.asked.append("arm" if armed else "disarm")
        self.now = replace(self.now, recording=replace(self.now.recording, armed=armed))

    def use_card(self, card: RunCard) -> None:
        self.asked.append(f"card {card.pack}")
        self.now = replace(self.now, card=card)

    def close(self) -> None:
        self.asked.append("close")
        assert self.may_close.wait(timeout=30)
        if self.now.recording.state is RecordingState.SAVING:
            self._recording(RecordingState.SAVED, "saved")


@pytest.fixture(autouse=True)
def coloured(monkeypatch):
    """The environment of the test run does not choose the theme."""
    monkeypatch.delenv("NO_COLOR", raising=False)


@pytest.fixture
def in_utc(monkeypatch):
    """Times on the screen do not depend on where the tests run."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def moments():
    """The snapshots that tests start from, by name."""
    return {"streaming": STREAMING, "recording": RECORDING, "connecting": CONNECTING}


@pytest.fixture
def session_at():
    """Return a session that tells a snapshot; it closes at once."""

    def build(now: Snapshot) -> FakeSession:
        session = FakeSession(now)
        session.may_close.set()
        return session

    return build


@pytest.fixture
def app_at(session_at):
    """Return an app over a session that tells a snapshot."""

    def build(now: Snapshot) -> SaglineApp:
        return SaglineApp(FakeWorkbench(), session_at(now))

    return build
