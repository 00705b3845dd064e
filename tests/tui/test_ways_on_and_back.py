"""From the first screen to a logger, a recording or an address, and back; nothing is lost on the way."""

from dataclasses import replace
from pathlib import Path

import pytest
from fake_workbench import BENCH, VIRTUAL, FakeWorkbench, shelved
from screen_texts import line, settled, shown
from textual.widgets import Input

from capture.engine.snapshot import LinkState, RecordingState
from capture.errors import DiskFull
from tui.app import SaglineApp
from tui.screens.first import FirstScreen
from tui.screens.help import HelpScreen
from tui.screens.live import LiveScreen
from tui.screens.result import ResultScreen
from tui.widgets.choice_list import ChoiceList


@pytest.mark.parametrize("way", ["d", "enter", "click"])
async def test_the_demo_is_one_key_or_click_away(session_at, moments, way):
    session = session_at(moments["streaming"])
    bench = FakeWorkbench(loggers=[VIRTUAL], sessions={"demo": session})
    async with SaglineApp(bench).run_test() as pilot:
        await settled(pilot)
        if way == "click":
            rows = [str(option.prompt) for option in pilot.app.screen.query_one(ChoiceList).options]
            above = sum(
                row.count("\n") + 1 for row in rows[: [r.startswith("  ●") for r in rows].index(True)]
            )
            await pilot.click(ChoiceList, offset=(10, above))
        else:
            await pilot.press(way)
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen)
        assert "open demo" in bench.asked


async def test_enter_opens_the_chosen_logger_and_escape_comes_back(session_at, moments):
    """Ports that are being asked are let go of first; after Escape the ports are asked again."""
    session = session_at(moments["streaming"])
    bench = FakeWorkbench(loggers=[BENCH, VIRTUAL], sessions={BENCH.address: session})
    async with SaglineApp(bench).run_test() as pilot:
        await settled(pilot)
        await pilot.press("enter")
        await settled(pilot)
        assert bench.asked == ["look", "stop looking", f"open {BENCH.address}"]
        assert isinstance(pilot.app.screen, LiveScreen)
        await pilot.press("escape")
        await settled(pilot)
        assert session.asked == ["close"]
        assert isinstance(pilot.app.screen, FirstScreen)
        assert bench.asked.count("look") == 2
        assert line(pilot.app, "notice") == "The logger was let go."
        await pilot.press("enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen)


async def test_escape_saves_a_recording_first_and_says_so(session_at, moments, in_utc):
    session = session_at(moments["recording"])
    session.may_close.clear()
    bench = FakeWorkbench()
    app = SaglineApp(bench, session)
    async with app.run_test() as pilot:
        await pilot.press("escape")
        await pilot.pause()
        assert isinstance(app.screen, LiveScreen)
        assert "Saving the recording" in line(app, "notice")
        await pilot.press("escape", "r", "m")
        bench.shelf = [shelved(8)]
        session.may_close.set()
        await settled(pilot)
        assert isinstance(app.screen, FirstScreen)
        assert "Saved heron-oak-8.parquet" in line(app, "notice")
        assert "2026-11-08" in shown(app)
    assert session.asked == ["stop", "close"]
    assert [one.path.name for one in app.sitting.saved] == ["heron-oak-8.parquet"]


async def test_q_while_escape_still_saves_leaves_afterwards(session_at, moments):
    session = session_at(moments["recording"])
    session.may_close.clear()
    app = SaglineApp(FakeWorkbench(), session)
    async with app.run_test() as pilot:
        await pilot.press("escape", "q")
        await pilot.pause()
        assert app.is_running
        session.may_close.set()
        await settled(pilot)
    assert session.asked == ["stop", "close"]
    assert app.return_value.recording.state is RecordingState.SAVED


async def test_help_opened_while_it_is_saved_does_not_stay(session_at, moments):
    session = session_at(moments["recording"])
    session.may_close.clear()
    app = SaglineApp(FakeWorkbench(), session)
    async with app.run_test() as pilot:
        await pilot.press("escape")
        await pilot.pause()
        await pilot.press("question_mark")
        assert isinstance(app.screen, HelpScreen)
        session.may_close.set()
        await settled(pilot)
        assert isinstance(app.screen, FirstScreen)


async def test_the_palette_leads_back_to_the_loggers(session_at, moments):
    session = session_at(moments["streaming"])
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        await pilot.press("ctrl+p")
        await pilot.press(*"back")
        await pilot.pause()
        await pilot.app.workers.wait_for_complete()
        await pilot.press("down", "enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, FirstScreen)
        assert session.asked == ["close"]


async def test_a_logger_that_was_lost_is_told_on_the_way_back(session_at, moments):
    lost = replace(
        moments["streaming"].link, state=LinkState.LOST, message="sim:polesaw: went away. Check it."
    )
    session = session_at(replace(moments["streaming"], link=lost))
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        await pilot.press("escape")
        await settled(pilot)
        assert line(pilot.app, "notice") == "sim:polesaw: went away. Check it."


async def test_a_disk_that_fails_on_the_way_back_is_told(session_at, moments):
    session = session_at(moments["recording"])

    def fail():
        raise DiskFull("no room", "recordings", "Delete something.")

    session.close = fail
    bench = FakeWorkbench(sessions={"demo": session_at(moments["streaming"])})
    async with SaglineApp(bench, session).run_test() as pilot:
        await pilot.press("escape")
        await settled(pilot)
        assert isinstance(pilot.app.screen, FirstScreen)
        assert line(pilot.app, "notice") == "recordings: no room. Delete something."
        await pilot.press("d")
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen)


async def test_each_recording_of_a_sitting_is_remembered(session_at, moments):
    """Two loggers, two recordings: both are told at the end."""
    first, second = session_at(moments["recording"]), session_at(moments["recording"])
    other = replace(moments["recording"].recording, path=Path("recordings/other.parquet"))
    saved = replace(other, state=RecordingState.SAVED)
    second.now = replace(moments["streaming"], recording=saved)
    bench = FakeWorkbench(sessions={"demo": second})
    app = SaglineApp(bench, first)
    async with app.run_test() as pilot:
        await pilot.press("escape")
        await settled(pilot)
        await pilot.press("d")
        await settled(pilot)
        await pilot.press("q")
        await settled(pilot)
    assert [one.path.name for one in app.sitting.saved] == ["heron-oak-8.parquet", "other.parquet"]


@pytest.mark.parametrize("way", ["enter", "click"])
async def test_a_recording_opens_and_escape_comes_back(way):
    bench = FakeWorkbench(shelf=[shelved(2), shelved(1)])
    async with SaglineApp(bench).run_test() as pilot:
        await settled(pilot)
        if way == "click":
            await pilot.click(ChoiceList, offset=(10, shown(pilot.app).split("\n").index("") + 3))
        else:
            await pilot.press("down", "enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, ResultScreen)
        assert bench.asked[-1] == "read recordings/run-1.parquet"
        await pilot.press("question_mark")
        assert isinstance(pilot.app.screen, HelpScreen)
        await pilot.press("escape", "escape")
        await settled(pilot)
        assert isinstance(pilot.app.screen, FirstScreen)


async def test_o_opens_an_address_typed_by_hand(session_at, moments):
    bench = FakeWorkbench(sessions={"sim:polesaw?pack=wren": session_at(moments["streaming"])})
    async with SaglineApp(bench).run_test() as pilot:
        await settled(pilot)
        await pilot.press("o")
        assert pilot.app.screen.query_one(Input).placeholder == "serial:/dev/ttyACM0"
        for typed, words in (("", "Nothing is typed"), ("/dev/ttyACM0", "Did you mean serial:/dev/ttyACM0")):
            await pilot.press(*typed, "enter")
            await pilot.pause()
            told = str(pilot.app.screen.query_one("#wrong").render())
            assert words in told
            assert "\n" not in told
        pilot.app.screen.query_one(Input).value = "sim:polesaw?pack=wren"
        await pilot.press("enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen)


async def test_escape_opens_no_address():
    bench = FakeWorkbench()
    async with SaglineApp(bench).run_test() as pilot:
        await settled(pilot)
        await pilot.press("o", "x", "escape")
        await settled(pilot)
        assert isinstance(pilot.app.screen, FirstScreen)
        assert not [asked for asked in bench.asked if asked.startswith("open")]


async def test_a_logger_that_cannot_be_opened_is_told_and_the_next_one_may_be(session_at, moments):
    bench = FakeWorkbench(loggers=[BENCH])
    async with SaglineApp(bench).run_test(size=(120, 30)) as pilot:
        await settled(pilot)
        await pilot.press("enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, FirstScreen)
        assert line(pilot.app, "notice").startswith("serial:/dev/ttyACM0: no such port.")
        bench.sessions[BENCH.address] = session_at(moments["streaming"])
        await pilot.press("enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen)
