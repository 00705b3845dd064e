"""The live screen by its keys: what is pressed is what is asked of the session, and the screen says so."""

from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fake_workbench import FakeWorkbench
from textual.widgets import Footer
from textual.worker import WorkerCancelled

from capture.engine.snapshot import ChannelFace, ChartWindow, LinkState, RecordingState
from capture.errors import DiskFull
from capture.pack_limits import Alarm, AlarmKind
from tui.app import SaglineApp
from tui.screens.help import HelpScreen
from tui.themes import DARK, MONO, SUN
from tui.widgets.envelope_chart import EnvelopeChart
from tui.widgets.figure_tile import FigureTile


def line(app, name):
    """Return the text of one line of the screen."""
    return app.screen.query_one(f"#{name}").render().plain


async def left(app):
    """Wait until the session is closed; leaving may end the wait itself."""
    with suppress(WorkerCancelled):
        await app.workers.wait_for_complete()


def chart_lines(app):
    return app.screen.query_one(EnvelopeChart)._picture.lines()


async def test_r_records_and_r_again_saves(session_at, moments):
    session = session_at(moments["streaming"])
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        assert "□ NOT RECORDING" in line(pilot.app, "recording")
        assert "r records" in line(pilot.app, "recording")
        await pilot.press("r")
        assert "■ RECORDING 3:07" in line(pilot.app, "recording")
        assert "heron-oak-8.parquet" in line(pilot.app, "recording")
        await pilot.press("r")
        assert "▼ SAVING" in line(pilot.app, "recording")
        session.now = replace(
            session.now, recording=replace(session.now.recording, state=RecordingState.SAVED)
        )
        pilot.app.screen.look()
        assert "✓ SAVED" in line(pilot.app, "recording")
    assert session.asked == ["start", "stop"]


async def test_r_while_saving_or_without_samples_asks_for_nothing(session_at, moments):
    saving = replace(moments["recording"].recording, state=RecordingState.SAVING)
    for now, words in (
        (replace(moments["streaming"], recording=saving), "Still saving"),
        (moments["connecting"], "Nothing to record"),
    ):
        session = session_at(now)
        async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
            await pilot.press("r")
            assert words in line(pilot.app, "notice")
        assert session.asked == []


async def test_what_forbids_a_recording_is_shown(session_at, moments):
    session = session_at(moments["streaming"])

    def refuse():
        raise DiskFull("no room", "recordings", "Delete something.")

    session.start_recording = refuse
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        await pilot.press("r")
        assert line(pilot.app, "notice") == "recordings: no room. Delete something."


async def test_m_marks_a_recording_and_only_that(session_at, moments):
    session = session_at(moments["streaming"])
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        await pilot.press("m")
        assert session.asked == []
        assert "press r" in line(pilot.app, "notice")
        await pilot.press("r", "m")
        assert session.asked == ["start", "mark"]
        assert line(pilot.app, "notice") == "mark 1 at 187.0 s"
        assert "1 mark" in line(pilot.app, "recording")


async def test_space_holds_the_figures_while_the_lines_follow(session_at, moments):
    session = session_at(moments["recording"])
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        await pilot.press("space")
        assert "FROZEN" in line(pilot.app, "link")
        assert chart_lines(pilot.app)[-1].endswith("frozen")
        session.now = replace(session.now, run_s=190.0, latest={"voltage_v": 30.0, "current_a": 80.0})
        pilot.app.screen.look()
        tile = pilot.app.screen.query_one("#voltage", FigureTile)
        assert tile.figures.digits == "36.42"
        assert "RECORDING 3:10" in line(pilot.app, "recording")
        await pilot.press("space")
        assert tile.figures.digits == "30.00"
        assert "FROZEN" not in line(pilot.app, "link")


async def test_plus_and_minus_change_the_span_between_10_and_60_seconds(app_at, moments):
    async with app_at(moments["recording"]).run_test() as pilot:
        for keys, span in (("", 60), ("-", 30), ("--", 10), ("+", 30), ("=", 60), ("+", 60)):
            await pilot.press(*keys)
            assert chart_lines(pilot.app)[-1].split()[:2] == [f"-{span}", "s"]


async def test_t_goes_round_the_themes(app_at, moments):
    async with app_at(moments["recording"]).run_test() as pilot:
        seen = []
        for _ in range(4):
            seen.append(pilot.app.theme)
            await pilot.press("t")
        assert seen == [DARK, SUN, MONO, DARK]


async def test_the_sun_theme_draws_with_solid_blocks(app_at, moments):
    async with app_at(moments["recording"]).run_test() as pilot:
        fine = "".join(chart_lines(pilot.app))
        await pilot.press("t")
        solid = "".join(chart_lines(pilot.app))
        assert any("⠀" <= sign <= "⣿" for sign in fine)
        assert not any("⠀" <= sign <= "⣿" for sign in solid)
        assert "▀" in solid


async def test_no_color_starts_without_colour(app_at, moments, monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    async with app_at(moments["recording"]).run_test() as pilot:
        assert pilot.app.theme == MONO


@pytest.mark.parametrize("key", ["question_mark", "f1"])
async def test_help_opens_and_escape_goes_back(app_at, moments, key):
    async with app_at(moments["recording"]).run_test() as pilot:
        await pilot.press(key)
        assert isinstance(pilot.app.screen, HelpScreen)
        await pilot.press("escape")
        assert pilot.app.screen is pilot.app._live


async def test_a_click_on_a_key_of_the_last_line_is_that_key(session_at, moments):
    session = session_at(moments["streaming"])
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        await pilot.pause()
        footer = pilot.app.screen.query_one(Footer)
        record = next(key for key in footer.query("FooterKey") if key.description == "Record")
        await pilot.click(record)
        await pilot.pause()
        assert session.asked == ["start"]


async def test_the_palette_holds_every_action_once(app_at, moments):
    async with app_at(moments["recording"]).run_test() as pilot:
        titles = [command.title for command in pilot.app.get_system_commands(pilot.app.screen)]
        of_the_screen = ["Record", "Mark", "Gauge", "Note", "Zero", "Card", "Arm", "Freeze", "Cuts"]
        names = [*of_the_screen, "Longer", "Shorter", "Seen", "Back", "Theme", "Help", "Quit"]
        assert sorted(title.split(" (")[0] for title in titles) == sorted(names)


async def test_a_command_of_the_palette_does_what_its_key_does(session_at, moments):
    session = session_at(moments["streaming"])
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        await pilot.press("ctrl+p")
        await pilot.press(*"record")
        await pilot.pause()
        await pilot.app.workers.wait_for_complete()
        await pilot.press("down", "enter")
        await pilot.pause()
        assert session.asked == ["start"]


async def test_q_without_a_recording_leaves_and_stops_nothing(session_at, moments):
    session = session_at(moments["streaming"])
    app = SaglineApp(FakeWorkbench(), session)
    async with app.run_test() as pilot:
        await pilot.press("q")
        await left(app)
    assert session.asked == ["close"]
    assert app.return_value is session.now


async def test_q_saves_a_recording_first_and_says_so(session_at, moments):
    session = session_at(moments["recording"])
    session.may_close.clear()
    app = SaglineApp(FakeWorkbench(), session)
    async with app.run_test() as pilot:
        await pilot.press("question_mark", "q")
        assert app.screen is app._live
        assert "▼ SAVING" in line(app, "recording")
        assert "Saving the recording" in line(app, "notice")
        await pilot.press("q", "r", "m")
        assert "Saving the recording" in line(app, "notice")
        assert app.is_running
        session.may_close.set()
        await left(app)
    assert session.asked == ["stop", "close"]
    assert app.return_value.recording.state is RecordingState.SAVED


async def test_a_failure_while_closing_still_lets_go_with_a_status(session_at, moments):
    session = session_at(moments["recording"])

    def fail():
        raise DiskFull("no room", "recordings", "Delete something.")

    session.close = fail
    app = SaglineApp(FakeWorkbench(), session)
    async with app.run_test() as pilot:
        await pilot.press("q")
        await left(app)
    assert app.return_code == 1
    assert app.return_value is session.now


async def test_the_caution_stands_in_the_notice_until_something_is_done(app_at, moments):
    async with app_at(moments["connecting"]).run_test() as pilot:
        assert "blades cut" in line(pilot.app, "notice")
        await pilot.press("m")
        assert "blades cut" not in line(pilot.app, "notice")


@pytest.mark.parametrize("size", [(80, 24), (60, 20), (40, 12), (17, 8), (5, 3), (1, 1), (200, 60)])
async def test_every_size_is_drawn(app_at, moments, size):
    async with app_at(moments["recording"]).run_test(size=size) as pilot:
        await pilot.pause()
        shot = pilot.app.export_screenshot()
    assert "svg" in shot


async def test_hostile_names_are_shown_as_they_are(app_at, moments):
    name = "[red]x[/]\x1b[31m\u202e\n"
    link = replace(moments["recording"].link, logger_name=name)
    recording = replace(moments["recording"].recording, path=Path(name.replace("/", "") + ".parquet"))
    channels = (ChannelFace("heat_k", "[b]heat[/b]\x07", "[K]"),)
    now = replace(moments["recording"], link=link, recording=recording, channels=channels, notice=name)
    async with app_at(now).run_test(size=(120, 40)) as pilot:
        for place in ("link", "recording", "notice"):
            assert r"\x1b[31m\u202e\n" in line(pilot.app, place)
            assert "[red]x[" in line(pilot.app, place)
        assert line(pilot.app, "channels") == r"[b]heat[/b]\x07 — [K]"
        failed = replace(link, state=LinkState.FAILED, message=name)
        pilot.app._live.session.now = replace(moments["connecting"], link=failed)
        pilot.app.screen.look()
        await pilot.pause()
        assert "\x1b" not in pilot.app.export_screenshot()


async def test_absurd_readings_do_not_stop_the_screen(app_at, moments):
    nan, inf = float("nan"), float("inf")
    column = np.array([nan, inf, -inf, 1e300, -1e300, 0.0])
    chart = ChartWindow(0.0, 0.025, {"current_a": column}, {"current_a": column}, marks_s=(nan, -1.0, 0.0))
    figures = replace(moments["recording"].figures, energy=None, rest_voltage=None, cuts=None)
    now = replace(
        moments["recording"],
        chart=chart,
        figures=figures,
        run_s=nan,
        latest={"current_a": inf, "voltage_v": 1e300, "speed_rpm": None},
        power_w=inf,
    )
    async with app_at(now).run_test() as pilot:
        tiles = {tile.id: tile.figures.digits for tile in pilot.app.screen.query(FigureTile) if tile.display}
        assert tiles.pop("voltage") == "1E300"
        assert tiles.pop("remaining") == "4:12"
        assert set(tiles.values()) == {"—"}
        empty = ChartWindow(0.0, 0.025, {}, {})
        pilot.app._live.session.now = replace(now, chart=empty)
        pilot.app.screen.look()
        assert not pilot.app.screen.query_one(EnvelopeChart).display


async def test_a_arms_and_disarms(session_at, moments):
    session = session_at(moments["streaming"])
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        await pilot.press("a")
        assert "◇ ARMED" in line(pilot.app, "recording")
        assert "a load starts it" in line(pilot.app, "recording")
        await pilot.press("a")
        assert "ARMED" not in line(pilot.app, "recording")
    assert session.asked == ["arm", "disarm"]


HOT = Alarm(AlarmKind.TEMPERATURE_HIGH, "pack_temperature", 71.3, 70.0, "Cel")
LOW = Alarm(AlarmKind.VOLTAGE_LOW, "voltage", 27.4, 28.0, "V")


def flashes(app):
    """Return whether the whole screen turns over and back."""
    screen, seen = app.screen, set()
    screen.flashing.pause()
    for _ in range(4):
        screen.flash()
        seen.add(screen.has_class("-flash"))
    return seen == {True, False}


async def test_an_alarm_flashes_the_whole_screen_until_it_is_seen(session_at, moments):
    """Text, shape and flash; x ends the flashing, the line stays; another alarm flashes anew."""
    session = session_at(moments["recording"])
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        app = pilot.app
        assert not app.screen.query_one("#alarm").display
        session.now = replace(session.now, alarms=(HOT,))
        app.screen.look()
        await pilot.pause()
        assert app.screen.query_one("#alarm").display
        assert "▲▲ PACK HOT 71.3 °C, limit 70.0" in line(app, "alarm")
        assert flashes(app)
        await pilot.press("x")
        assert not flashes(app)
        assert not app.screen.has_class("-flash")
        assert "PACK HOT" in line(app, "alarm")
        session.now = replace(session.now, alarms=(HOT, LOW))
        app.screen.look()
        assert flashes(app)
        await pilot.press("x")
        session.now = replace(session.now, alarms=())
        app.screen.look()
        assert not app.screen.query_one("#alarm").display
        session.now = replace(session.now, alarms=(HOT,))
        app.screen.look()
        assert flashes(app), "it came back"


async def test_tiles_appear_as_channels_become_known(session_at, moments):
    session = session_at(moments["connecting"])
    async with SaglineApp(FakeWorkbench(), session).run_test() as pilot:
        shown = [tile.id for tile in pilot.app.screen.query(FigureTile) if tile.display]
        assert shown == ["voltage", "current", "power", "energy"]
        session.now = moments["recording"]
        pilot.app.screen.look()
        shown = [tile.id for tile in pilot.app.screen.query(FigureTile) if tile.display]
        assert shown == ["voltage", "current", "power", "energy", "speed", "force", "remaining"]
        await pilot.resize_terminal(40, 12)
        await pilot.pause()
        shown = [tile.id for tile in pilot.app.screen.query(FigureTile) if tile.display]
        assert shown == ["voltage", "current"]
