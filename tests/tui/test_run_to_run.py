"""From run to run: what is typed beside a run, what it gave at once after it, and the next one."""

from dataclasses import replace
from pathlib import Path

import pytest
from fake_workbench import FakeWorkbench
from result_bench import GOOD, PATH
from screen_texts import settled
from textual.widgets import DataTable

from capture.engine.snapshot import ChannelFace, LinkState, RecordingState
from capture.run_card import RunCard
from tui.app import SaglineApp
from tui.screens.live import LiveScreen
from tui.screens.result import ResultScreen
from tui.screens.zero_form import ZeroForm
from tui.widgets.cut_table import CutTable
from tui.widgets.envelope_chart import EnvelopeChart


class ReadingWorkbench(FakeWorkbench):
    """Reads the same good run whatever is asked for, and remembers what was amended."""

    def read(self, recording, progress):
        self.asked.append(f"read {recording}")
        progress(1)
        return GOOD

    def amend(self, recording, amendments):
        assert recording == PATH
        self.asked.append(f"amend {dict(amendments.card)}")


def line(app, name):
    return app._live.query_one(f"#{name}").render().plain


def saved(now, **changes):
    recording = replace(now.recording, state=RecordingState.SAVED, path=PATH, samples=39_500, **changes)
    return replace(now, recording=recording)


@pytest.fixture
def bench():
    return ReadingWorkbench()


async def ended(pilot, session, **changes):
    """Let the running recording end as the engine tells it."""
    session.now = saved(session.now, **changes)
    pilot.app._live.look()
    await settled(pilot)


async def test_a_run_that_ended_shows_at_once_what_it_gave(bench, session_at, moments):
    session = session_at(moments["recording"])
    async with SaglineApp(bench, session).run_test(size=(120, 40)) as pilot:
        await pilot.press("r")
        assert session.asked == ["stop"]
        await ended(pilot, session)
        assert isinstance(pilot.app.screen, ResultScreen)
        assert bench.asked == [f"read {PATH}"]
        await pilot.press("escape")
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen)
        pilot.app._live.look()
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen), "it is shown once"


async def test_enter_prepares_the_next_run_with_the_card_carried_over(bench, session_at, moments):
    session = session_at(moments["recording"])
    async with SaglineApp(bench, session).run_test(size=(120, 40)) as pilot:
        await ended(pilot, session)
        await pilot.press("1")
        await settled(pilot)
        assert any("completed" in asked for asked in bench.asked)
        await pilot.press("enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen)
        assert session.asked == ["card heron", "arm"]
        assert session.now.card.outcome is None
        assert session.now.card.cutoff_v == 28.0, "completed by the workbench"
        assert "◇ ARMED" in line(pilot.app, "recording")


async def test_redo_names_the_run_that_is_done_again(bench, session_at, moments):
    session = session_at(moments["recording"])
    async with SaglineApp(bench, session).run_test(size=(120, 40)) as pilot:
        await ended(pilot, session)
        await pilot.press("R")
        await pilot.pause()
        await pilot.press(*"blunt chain", "enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen)
        assert any("void" in asked and "blunt chain" in asked for asked in bench.asked)
        assert session.now.card.repeats == PATH.name
        assert session.now.recording.armed


async def test_what_a_run_gave_makes_way_when_the_next_one_begins(bench, session_at, moments):
    """Gloves on, nobody at the keys: the load starts the next run, and the live screen is back."""
    session = session_at(moments["recording"])
    async with SaglineApp(bench, session).run_test(size=(120, 40)) as pilot:
        await ended(pilot, session, armed=True)
        assert isinstance(pilot.app.screen, ResultScreen)
        assert "next load starts the next run" in pilot.app.screen.query_one("#notice").render().plain
        running = replace(session.now.recording, state=RecordingState.RUNNING, path=Path("next.parquet"))
        session.now = replace(session.now, recording=running)
        pilot.app._live.look()
        await settled(pilot)
        assert isinstance(pilot.app.screen, LiveScreen)


async def test_a_form_that_is_open_when_a_run_ends_is_finished_first(bench, session_at, moments):
    session = session_at(moments["recording"])
    async with SaglineApp(bench, session).run_test(size=(120, 40)) as pilot:
        await pilot.press("n")
        await pilot.pause()
        await ended(pilot, session)
        assert not isinstance(pilot.app.screen, ResultScreen | LiveScreen)
        await pilot.press("escape")
        await settled(pilot)
        pilot.app._live.look()
        await settled(pilot)
        assert isinstance(pilot.app.screen, ResultScreen)


async def test_leaving_while_recording_shows_no_result(bench, session_at, moments):
    session = session_at(moments["recording"])
    session.may_close.clear()
    app = SaglineApp(bench, session)
    async with app.run_test() as pilot:
        await pilot.press("q")
        session.now = saved(session.now)
        app._live.look()
        await pilot.pause()
        assert isinstance(app.screen, LiveScreen)
        session.may_close.set()
        await settled(pilot)
    assert session.asked == ["stop", "close"]


async def test_a_note_and_a_gauge_go_into_the_recording(bench, session_at, moments):
    session = session_at(moments["recording"])
    async with SaglineApp(bench, session).run_test() as pilot:
        await pilot.press("n")
        await pilot.pause()
        await pilot.press(*"wet limb", "enter")
        await pilot.pause()
        await pilot.press("e")
        await pilot.pause()
        await pilot.press(*"torque", "tab", *"38.5", "tab", "tab", *"0.5", "enter")
        await pilot.pause()
        assert isinstance(pilot.app.screen, LiveScreen)
    assert session.asked[0] == "note wet limb"
    assert "quantity='torque', value=38.5, unit='N.m', resolution=0.5" in session.asked[1]


@pytest.mark.parametrize(("key", "words"), [("n", "A note belongs"), ("e", "A reading belongs")])
async def test_without_a_recording_there_is_nothing_to_write_into(bench, session_at, moments, key, words):
    session = session_at(moments["streaming"])
    async with SaglineApp(bench, session).run_test() as pilot:
        await pilot.press(key)
        await pilot.pause()
        assert isinstance(pilot.app.screen, LiveScreen)
        assert words in line(pilot.app, "notice")
    assert session.asked == []


async def test_z_zeroes_the_chosen_channel(bench, session_at, moments):
    session = session_at(moments["streaming"])
    async with SaglineApp(bench, session).run_test() as pilot:
        await pilot.press("z")
        await pilot.pause()
        assert isinstance(pilot.app.screen, ZeroForm)
        await pilot.press("escape")
        await pilot.pause()
        assert session.asked == []
        await pilot.press("z")
        await pilot.pause()
        await pilot.press("down", "enter")
        await pilot.pause()
        assert isinstance(pilot.app.screen, LiveScreen)
    assert session.asked == ["zero force_n"]


async def test_a_click_zeroes_too(bench, session_at, moments):
    session = session_at(moments["streaming"])
    async with SaglineApp(bench, session).run_test() as pilot:
        await pilot.press("z")
        await pilot.pause()
        await pilot.click("OptionList", offset=(4, 0))
        await pilot.pause()
    assert session.asked == ["zero current_a"]


async def test_what_cannot_be_zeroed_is_not_offered(bench, session_at, moments):
    only = replace(moments["streaming"], channels=(ChannelFace("voltage_v", "voltage", "V"),))
    async with SaglineApp(bench, session_at(only)).run_test() as pilot:
        await pilot.press("z")
        await pilot.pause()
        assert isinstance(pilot.app.screen, LiveScreen)
        assert "No channel that could be zeroed" in line(pilot.app, "notice")
        silent = replace(moments["streaming"].link, state=LinkState.SILENT)
        pilot.app._live.session.now = replace(moments["streaming"], link=silent)
        pilot.app._live.look()
        await pilot.press("z")
        await pilot.pause()
        assert "no samples come" in line(pilot.app, "notice")


async def test_k_fills_in_the_next_card(bench, session_at, moments):
    """The card on the screen is carried over; what was typed last comes back when k is pressed again."""
    session = session_at(moments["streaming"])
    session.now = replace(session.now, card=RunCard("timed cut", "heron", "polesaw"))
    async with SaglineApp(bench, session).run_test() as pilot:
        await pilot.press("k")
        await pilot.pause()
        await pilot.press("tab", "end", *("backspace",) * 5, *"wren", "enter")
        await pilot.pause()
        assert isinstance(pilot.app.screen, LiveScreen)
        assert session.asked == ["card wren"]
        assert (session.now.card.kind, session.now.card.tool) == ("timed cut", "polesaw")


async def test_c_shows_all_cuts_in_place_of_the_chart(bench, session_at, moments):
    session = session_at(moments["recording"])
    async with SaglineApp(bench, session).run_test(size=(80, 24)) as pilot:
        screen = pilot.app.screen
        assert not screen.query_one(CutTable).display
        await pilot.press("c")
        await pilot.pause()
        assert screen.query_one(CutTable).display
        assert not screen.query_one(EnvelopeChart).display
        assert screen.query_one(DataTable).row_count == 12
        await pilot.press("c")
        await pilot.pause()
        assert screen.query_one(EnvelopeChart).display


@pytest.mark.parametrize(("size", "rows"), [((120, 40), 4), ((200, 60), 12)])
async def test_a_larger_terminal_has_the_cuts_beside_or_below_the_chart(
    bench, session_at, moments, size, rows
):
    session = session_at(moments["recording"])
    async with SaglineApp(bench, session).run_test(size=size) as pilot:
        await pilot.pause()
        table, chart = pilot.app.screen.query_one(CutTable), pilot.app.screen.query_one(EnvelopeChart)
        assert pilot.app.screen.query_one(DataTable).row_count == rows
        assert chart.display
        beside = table.region.x >= chart.region.right
        assert beside or table.region.y >= chart.region.bottom
        assert beside == (size[0] == 200)
        assert table.region.right <= size[0]
        assert table.region.bottom <= size[1]
        assert pilot.app.focused is None, "keys belong to the screen, not to the table"
