"""The first screen by its keys and clicks: what is in reach, what was recorded, and the ways on and back."""

from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest
from fake_workbench import BENCH, SILENT, UNASKED, VIRTUAL, FakeWorkbench, shelved
from textual.widgets import Footer, Input
from textual.worker import WorkerCancelled

from capture.engine.snapshot import LinkState, RecordingState
from capture.errors import DiskFull, RecordingDamaged
from capture.run_card import RunCard
from tui.app import SaglineApp
from tui.screens.address import AddressScreen
from tui.screens.first import FirstScreen
from tui.screens.help import HelpScreen
from tui.screens.live import LiveScreen
from tui.screens.result import ResultScreen
from tui.themes import MONO
from tui.widgets.choice_list import ChoiceList


async def settled(pilot):
    """Wait until all threads have told what they found, and it is shown."""
    await pilot.pause()
    with suppress(WorkerCancelled):
        await pilot.app.workers.wait_for_complete()
    await pilot.pause()


def shown(app):
    """Return the list as text."""
    choices = app.screen.query_one(ChoiceList)
    return "\n".join(str(option.prompt) for option in choices.options)


def marked(app):
    return app.screen.query_one(ChoiceList).highlighted_option.id


def line(app, name):
    return app.screen.query_one(f"#{name}").render().plain


def caution(app):
    return str(app.screen.query_one("#caution").render())


async def test_what_is_in_reach_says_who_it_is():
    """Those that answer come first, then the virtual one, then what is silent or was not asked, and why."""
    bench = FakeWorkbench(loggers=[UNASKED, VIRTUAL, SILENT, BENCH])
    async with SaglineApp(bench).run_test(size=(100, 30)) as pilot:
        await settled(pilot)
        text = shown(pilot.app)
        assert "● bench logger  serial:/dev/ttyACM0  fabricated UART" in text
        assert "firmware 0.3, 3 channels: current_a, voltage_v, pack_temperature_degc" in text
        assert "nothing answers" in text
        assert "not asked: it is no USB port; press Enter to open it" in text
        places = [text.index(words) for words in ("bench logger", "virtual pole saw", "ttyS0", "ttyUSB1")]
        assert places == sorted(places)
        assert marked(pilot.app) == "logger serial:/dev/ttyACM0"


async def test_loggers_fill_in_as_they_answer():
    bench = FakeWorkbench(loggers=[VIRTUAL, BENCH])
    bench.may_answer.clear()
    async with SaglineApp(bench).run_test() as pilot:
        await pilot.pause(0.2)
        assert "◌ LOOKING" in shown(pilot.app)
        assert "virtual pole saw" in shown(pilot.app)
        assert "bench logger" not in shown(pilot.app)
        await pilot.press("s")
        assert bench.asked.count("look") == 1
        bench.may_answer.set()
        await settled(pilot)
        assert "✓ LOOKED" in shown(pilot.app)
        assert "bench logger" in shown(pilot.app)


async def test_the_mark_stays_where_it_was_put():
    """A logger that answers late does not slip under the mark; until it is moved it is on the first."""
    bench = FakeWorkbench(loggers=[VIRTUAL, BENCH], shelf=[shelved(1)])
    bench.may_answer.clear()
    async with SaglineApp(bench).run_test() as pilot:
        await pilot.pause(0.2)
        assert marked(pilot.app) == "logger sim:polesaw"
        await pilot.press("down")
        assert marked(pilot.app) == "recording recordings/run-1.parquet"
        bench.may_answer.set()
        await settled(pilot)
        assert marked(pilot.app) == "recording recordings/run-1.parquet"


async def test_s_looks_again():
    bench = FakeWorkbench(loggers=[VIRTUAL])
    async with SaglineApp(bench).run_test() as pilot:
        await settled(pilot)
        bench.loggers = [BENCH, VIRTUAL]
        await pilot.press("s")
        await settled(pilot)
        assert bench.asked.count("look") == 2
        assert "bench logger" in shown(pilot.app)


async def test_empty_states_say_what_to_do():
    async with SaglineApp(FakeWorkbench()).run_test(size=(60, 20)) as pilot:
        await settled(pilot)
        text = shown(pilot.app)
        for words in ("No logger answers", "press s.", "Press d: the demo", "None yet", "press r there"):
            assert words in text
        assert pilot.app.screen.query_one(ChoiceList).highlighted is None
        await pilot.press("enter", "down", "enter")
        assert isinstance(pilot.app.screen, FirstScreen)


async def test_recordings_newest_first_with_what_tells_them_apart():
    card = RunCard("run-down", "wren")
    newest = shelved(9, card=card, lost_samples=12, interrupted=True, duration_s=3765.0)
    bench = FakeWorkbench(shelf=[newest, shelved(3)])
    async with SaglineApp(bench).run_test() as pilot:
        await settled(pilot)
        first, second = [row for row in shown(pilot.app).splitlines() if row.startswith("  2026")]
        for words in ("2026-11-09", "wren", "run-down", "1:02:45", "!12 lost", "▲ interrupted"):
            assert words in first
        for words in ("2026-11-03", "heron", "timed cut", "3:07", " 0 lost", "completed"):
            assert words in second


async def test_many_recordings_are_not_all_shown_and_broken_ones_are_told():
    broken = [RecordingDamaged("is cut short", f"{number}.parquet", "Take a copy.") for number in range(5)]
    many = [shelved(1, path=Path(f"{number}.parquet")) for number in range(150)]
    bench = FakeWorkbench(shelf=many, unreadable=broken)
    async with SaglineApp(bench).run_test(size=(100, 30)) as pilot:
        await settled(pilot)
        assert "and 50 older ones: sagline list" in shown(pilot.app)
        assert "▲ 0.parquet: is cut short" in shown(pilot.app)
        assert "▲ and 2 more that cannot be read" in shown(pilot.app)


async def test_interrupted_recordings_are_finished_by_themselves():
    """A bar while it goes on, and afterwards what became of it, above the recordings."""
    bench = FakeWorkbench(interrupted=["finished heron.parquet: 5000 samples, 0 lost"], shelf=[shelved(1)])
    bench.may_recover.clear()
    async with SaglineApp(bench).run_test() as pilot:
        await pilot.pause(0.2)
        assert "▼ FINISHING   [██████··············]  30 %" in line(pilot.app, "recovery")
        bench.may_recover.set()
        await settled(pilot)
        assert not pilot.app.screen.query_one("#recovery").display
        assert "✓ finished heron.parquet: 5000 samples, 0 lost" in shown(pilot.app)


async def test_leaving_while_a_recording_is_finished_waits_for_nobody():
    bench = FakeWorkbench(interrupted=["finished"])
    bench.may_recover.clear()
    app = SaglineApp(bench)
    async with app.run_test() as pilot:
        await pilot.pause(0.2)
        await pilot.press("q")
        await pilot.pause(0.2)
        bench.may_recover.set()
        await settled(pilot)
    assert (app.return_code, app.return_value) == (0, None)


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


async def test_escape_saves_a_recording_first_and_says_so(session_at, moments):
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
        await pilot.press(*"loggers")
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
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        await pilot.press("escape")
        await settled(pilot)
        assert isinstance(pilot.app.screen, FirstScreen)
        assert line(pilot.app, "notice") == "recordings: no room. Delete something."


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
        assert "is not a file" in shown(pilot.app)
        await pilot.press("question_mark")
        assert isinstance(pilot.app.screen, HelpScreen)
        await pilot.pause()
        assert "Say how the run went: completed" in shown(pilot.app)
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


@pytest.mark.parametrize(("key", "name"), [("o", "Address"), ("c", "Cautions"), ("question_mark", "Help")])
async def test_every_key_has_a_click(key, name):
    """What a key opens, a click on it in the last line opens too."""
    async with SaglineApp(FakeWorkbench()).run_test() as pilot:
        await settled(pilot)
        await pilot.press(key)
        by_key = type(pilot.app.screen)
        await pilot.press("escape")
        keys = pilot.app.screen.query_one(Footer).query("FooterKey")
        await pilot.click(next(one for one in keys if one.description == name))
        await pilot.pause()
        assert type(pilot.app.screen) is by_key
        assert by_key in {AddressScreen, HelpScreen}


async def test_help_explains_this_screen_and_c_shows_all_cautions():
    async with SaglineApp(FakeWorkbench()).run_test(size=(100, 60)) as pilot:
        await settled(pilot)
        for key, there, not_there in (("question_mark", "LOOKING", "drop"), ("c", "swells", "LOOKING")):
            await pilot.press(key)
            await pilot.pause()
            text = pilot.app.export_screenshot()
            assert there in text
            assert "swells" in text
            assert not_there not in text
            await pilot.press("escape")


async def test_the_help_of_the_live_screen_is_still_its_own(app_at, moments):
    async with app_at(moments["recording"]).run_test(size=(100, 60)) as pilot:
        await pilot.press("question_mark")
        await pilot.pause()
        assert "rest&#160;voltage" in pilot.app.export_screenshot()


async def test_the_palette_holds_every_action_once():
    async with SaglineApp(FakeWorkbench()).run_test() as pilot:
        await settled(pilot)
        titles = [command.title for command in pilot.app.get_system_commands(pilot.app.screen)]
        names = ["Open", "Demo", "Address", "Look", "Cautions", "Theme", "Help", "Quit"]
        assert sorted(title.split(" (")[0] for title in titles) == sorted(names)


async def test_the_caution_is_there_in_full_where_there_is_room():
    for size, words in (
        ((80, 24), "Blades and chains move"),
        ((120, 40), "Take rings and watches off."),
        ((60, 20), "press c"),
    ):
        async with SaglineApp(FakeWorkbench()).run_test(size=size) as pilot:
            await pilot.pause()
            assert "CAUTION" in caution(pilot.app)
            assert words in caution(pilot.app)


@pytest.mark.parametrize(
    "size", [(80, 24), (120, 40), (200, 60), (60, 20), (40, 12), (17, 8), (5, 3), (1, 1)]
)
async def test_every_size_is_drawn(size):
    bench = FakeWorkbench(loggers=[BENCH, SILENT, VIRTUAL], shelf=[shelved(2), shelved(1)])
    async with SaglineApp(bench).run_test(size=size) as pilot:
        await settled(pilot)
        for key in ("o", "escape", "question_mark", "escape", "t", "t"):
            await pilot.press(key)
            await pilot.pause()
        assert "svg" in pilot.app.export_screenshot()


async def test_hostile_names_are_shown_as_they_are():
    name = "[red]x[/]\x1b[31m\u202e\n"
    found = replace(
        BENCH, name=name, firmware=name, channels=(name,) * 32, port=name, address=f"serial:{name}"
    )
    silent = replace(SILENT, trouble=name)
    card = RunCard(name, name, note=name)
    bench = FakeWorkbench(
        loggers=[found, silent],
        shelf=[shelved(1, card=card, started=name), shelved(2, card=RunCard(pack=["x"], kind=3))],
        unreadable=[RecordingDamaged(name, name, name)],
        interrupted=[name],
    )
    async with SaglineApp(bench).run_test(size=(200, 40)) as pilot:
        await settled(pilot)
        text = shown(pilot.app)
        assert r"[red]x[/]\x1b[31m\u202e\n" in text
        assert not {"\x1b", "\u202e"} & set(text)
        await pilot.press("enter")
        await settled(pilot)
        assert r"\x1b" in line(pilot.app, "notice")
        assert "\x1b" not in pilot.app.export_screenshot()


async def test_no_color_has_no_colour(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    async with SaglineApp(FakeWorkbench()).run_test() as pilot:
        assert pilot.app.theme == MONO
