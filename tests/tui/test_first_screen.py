"""The first screen by its keys and clicks: what is in reach, and what was recorded."""

from dataclasses import replace
from pathlib import Path

import pytest
from fake_workbench import BENCH, SILENT, UNASKED, VIRTUAL, FakeWorkbench, shelved
from screen_texts import line, settled, shown, until
from textual.widgets import Footer

from capture.errors import RecordingDamaged
from capture.run_card import RunCard
from tui.app import SaglineApp
from tui.screens.address import AddressScreen
from tui.screens.first import FirstScreen
from tui.screens.help import HelpScreen
from tui.themes import MONO
from tui.widgets.choice_list import ChoiceList


def marked(app):
    return app.screen.query_one(ChoiceList).highlighted_option.id


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
        await until(pilot, lambda: "virtual pole saw" in shown(pilot.app))
        assert "◌ LOOKING" in shown(pilot.app)
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
        await until(pilot, lambda: "virtual" in shown(pilot.app) and "2026-11" in shown(pilot.app))
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


async def test_recordings_newest_first_with_what_tells_them_apart(in_utc):
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
        await until(pilot, lambda: pilot.app.screen.query_one("#recovery").display)
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
        await until(pilot, lambda: pilot.app.screen.query_one("#recovery").display)
        await pilot.press("q")
        await until(pilot, lambda: "stop looking" in bench.asked)
        bench.may_recover.set()
        await settled(pilot)
    assert (app.return_code, app.return_value) == (0, None)


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
