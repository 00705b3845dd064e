"""How the screens look, compared cell by cell with pictures that were looked at."""

from dataclasses import replace

import pytest

from capture.engine.snapshot import Alarm, AlarmKind, LinkState

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


def test_lost_for_good_and_armed(snap_compare, app_at, moments, size):
    now = moments["streaming"]
    link = replace(now.link, lost_samples=812)
    recording = replace(now.recording, armed=True)
    assert snap_compare(
        app_at(replace(now, link=link, recording=recording)), press=["t", "t"], terminal_size=size
    )
