"""How the screens look, compared cell by cell with pictures that were looked at."""

import threading
from dataclasses import replace

import pytest
from fake_workbench import BENCH, SILENT, UNASKED, VIRTUAL, FakeWorkbench, shelved
from guide_reports import report
from screen_texts import shown, until

from capture.engine.snapshot import LinkState
from capture.guide.steps import Step, Trouble
from capture.pack_limits import Alarm, AlarmKind
from capture.run_card import RunCard
from tui.app import SaglineApp

SIZES = [(80, 24), (120, 40)]


@pytest.fixture(params=SIZES, ids=["80x24", "120x40"])
def size(request):
    return request.param


def test_streaming_and_recording(snap_compare, app_at, moments, size):
    assert snap_compare(app_at(moments["recording"]), terminal_size=size)


def test_connecting(snap_compare, app_at, moments, size):
    assert snap_compare(app_at(moments["connecting"]), terminal_size=size)


def test_lost_while_recording(snap_compare, app_at, moments, size):
    now = moments["recording"]
    message = "sim:polesaw went away. Check its plug and its power."
    link = replace(now.link, state=LinkState.LOST, message=message, silent_s=12.3, lost_samples=1234)
    assert snap_compare(app_at(replace(now, link=link)), terminal_size=size)


def test_silent(snap_compare, app_at, moments, size):
    now = moments["recording"]
    link = replace(now.link, state=LinkState.SILENT, silent_s=4.3)
    assert snap_compare(app_at(replace(now, link=link)), terminal_size=size)


def test_help(snap_compare, app_at, moments, size):
    assert snap_compare(app_at(moments["recording"]), press=["question_mark"], terminal_size=size)


def test_frozen_in_the_sun(snap_compare, app_at, moments, size):
    assert snap_compare(app_at(moments["recording"]), press=["t", "minus", "space"], terminal_size=size)


def test_waiting_for_lost_samples(snap_compare, app_at, moments, size):
    now = moments["recording"]
    link = replace(now.link, missing_samples=640, recovered_samples=1200)
    chart = replace(now.chart, provisional_from_s=now.chart.end_s - 6.4)
    assert snap_compare(app_at(replace(now, link=link, chart=chart)), terminal_size=size)


def test_reconnecting(snap_compare, app_at, moments, size):
    now = moments["recording"]
    message = "serial:/dev/ttyACM0: went away. Put it right: it is tried again by itself."
    link = replace(now.link, state=LinkState.RECONNECTING, message=message, silent_s=7.2)
    assert snap_compare(app_at(replace(now, link=link)), terminal_size=size)


def test_an_alarm_while_armed_and_ending(snap_compare, app_at, moments, size):
    now = moments["recording"]
    alarm = Alarm(AlarmKind.CURRENT_HIGH, "current", 73.2, 60.0, "A")
    recording = replace(now.recording, armed=True, ends_in_s=41.0)
    shown = replace(now, alarms=(alarm,), recording=recording)

    async def flash(pilot):
        await pilot.pause()
        pilot.app.screen.flashing.pause()
        pilot.app.screen.set_class(True, "-flash")
        await pilot.pause()

    assert snap_compare(app_at(shown), terminal_size=size, run_before=flash)


def test_a_guide_says_load_on(snap_compare, app_at, moments, size):
    guide = report(Step.SWITCH_ON, rested_s=31.0, drift_v_per_s=0.0014, trouble=Trouble.EARLY_RELEASE)
    assert snap_compare(app_at(replace(moments["recording"], guide=guide)), terminal_size=size)


def test_a_guide_counts_down_a_rest_in_the_sun(snap_compare, app_at, moments, size):
    guide = report(Step.REST, seconds_left=7.4, repeat=1, counted=0, attempts=(), rested_s=2.6)
    now = replace(moments["recording"], guide=guide)
    assert snap_compare(app_at(now), press=["t"], terminal_size=size)


def test_lost_for_good_and_armed(snap_compare, app_at, moments, size):
    now = moments["streaming"]
    link = replace(now.link, lost_samples=812)
    recording = replace(now.recording, armed=True)
    assert snap_compare(
        app_at(replace(now, link=link, recording=recording)), press=["t", "t"], terminal_size=size
    )


@pytest.fixture
def bench():
    """Two ports with loggers and two without, a run that lost samples, and one that was cut off."""
    shelf = [
        shelved(21, card=RunCard("run-down", "albatross"), interrupted=True, duration_s=3765.0),
        shelved(20, lost_samples=1234),
        shelved(19, card=RunCard("stall", "wren"), duration_s=12.0),
    ]
    finished = ["finished 2026-11-21_094510_albatross.parquet: 1882500 samples, 0 lost"]
    return FakeWorkbench([BENCH, SILENT, UNASKED, VIRTUAL], shelf, interrupted=finished)


async def rested(pilot):
    await pilot.pause()
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()


def test_first_screen(snap_compare, bench, size, in_utc):
    assert snap_compare(SaglineApp(bench), run_before=rested, terminal_size=size)


def test_first_screen_in_the_sun(snap_compare, bench, size, in_utc):
    async def in_the_sun(pilot):
        await rested(pilot)
        await pilot.press("t", "down")

    assert snap_compare(SaglineApp(bench), run_before=in_the_sun, terminal_size=size)


def test_first_screen_with_nothing_there(snap_compare, size):
    assert snap_compare(SaglineApp(FakeWorkbench()), run_before=rested, terminal_size=size)


def test_first_screen_looking(snap_compare, bench, size):
    """Ports are still being asked, and an interrupted recording is being finished."""
    bench.may_answer.clear()
    bench.may_recover.clear()

    async def looking(pilot):
        await until(
            pilot,
            lambda: "bench logger" in shown(pilot.app) and pilot.app.screen.query_one("#recovery").display,
        )
        for held_back in (bench.may_answer, bench.may_recover):  # longer than it takes to draw the picture
            threading.Timer(3.0, held_back.set).start()

    assert snap_compare(SaglineApp(bench), run_before=looking, terminal_size=size)


def test_address_that_is_none(snap_compare, bench, size, in_utc):
    async def typed(pilot):
        await rested(pilot)
        await pilot.press("o", *"/dev/ttyACM0", "enter")
        pilot.app.screen.query_one("Input").cursor_blink = False

    assert snap_compare(SaglineApp(bench), run_before=typed, terminal_size=size)


def test_help_of_the_first_screen(snap_compare, bench, size, in_utc):
    async def helped(pilot):
        await rested(pilot)
        await pilot.press("question_mark")

    assert snap_compare(SaglineApp(bench), run_before=helped, terminal_size=size)
