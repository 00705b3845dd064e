"""How the result screen and its forms look, compared cell by cell with pictures that were looked at."""

import threading

import pytest
from result_bench import CARD, GOOD, PATH, TROUBLED, FakeBench
from studied_run_figures import RESISTANCE, WORK
from textual.app import App
from textual.widgets import Input

from tui.screens.ask_line import ReadingForm
from tui.screens.card_form import CardForm
from tui.screens.result import ResultScreen
from tui.screens.why import WhyScreen
from tui.themes import DARK, MONO, THEMES

SIZES = [(80, 24), (120, 40)]


class PictureApp(App):
    CSS_PATH = "../../tui/app.tcss"

    def __init__(self, *screens, theme=DARK):
        super().__init__()
        self.screens_wanted = screens
        for one in THEMES:
            self.register_theme(one)
        self.theme = theme

    def get_theme_variable_defaults(self):
        return THEMES[0].variables

    def on_mount(self):
        for screen in self.screens_wanted:
            self.push_screen(screen)


@pytest.fixture(params=SIZES, ids=["80x24", "120x40"])
def size(request):
    return request.param


def result_of(summary, *, held=False, **options):
    bench = FakeBench(summary, progress_rows=(14_200,) if held else ())
    if not held:
        bench.may_read.set()
    return bench, ResultScreen(bench, PATH, **options)


async def all_read(pilot):
    await pilot.pause()
    for box in pilot.app.screen.query(Input):
        box.cursor_blink = False  # a picture must not depend on when it was taken
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()


def test_a_good_run_after_it_ended(snap_compare, size):
    _, screen = result_of(GOOD, next_run=True)
    assert snap_compare(PictureApp(screen), terminal_size=size, run_before=all_read)


def test_a_run_with_gaps_and_warnings(snap_compare, size):
    _, screen = result_of(TROUBLED, next_run=False)

    async def choose_a_figure(pilot):
        await all_read(pilot)
        await pilot.press("tab", "right")

    assert snap_compare(PictureApp(screen), terminal_size=size, run_before=choose_a_figure)


def test_a_void_run_without_colour(snap_compare, size):
    _, screen = result_of(GOOD, next_run=True)

    async def void(pilot):
        await all_read(pilot)
        await pilot.press("5", *"blunt chain", "enter")
        await all_read(pilot)

    assert snap_compare(PictureApp(screen, theme=MONO), terminal_size=size, run_before=void)


def test_while_it_is_read(snap_compare, size):
    bench, screen = result_of(GOOD, held=True, next_run=True, samples=39_500)

    async def part_is_read(pilot):
        for _ in range(200):
            await pilot.pause(0.01)
            if "14,200" in str(screen.query_one("#reading-words").content):
                break
        await pilot.pause()
        # longer than it takes to draw the picture; the app does not end before the reading does
        threading.Timer(3.0, bench.may_read.set).start()

    assert snap_compare(PictureApp(screen), terminal_size=size, run_before=part_is_read)


def test_the_card_form(snap_compare, size):
    _, screen = result_of(GOOD, next_run=False)
    assert snap_compare(PictureApp(screen, CardForm(CARD)), terminal_size=size, run_before=all_read)


def test_the_reading_form_with_a_fault(snap_compare, size):
    _, screen = result_of(GOOD, next_run=False)

    async def wrong(pilot):
        await all_read(pilot)
        await pilot.press(*"torque", "tab", *"38,5", "enter")
        await pilot.pause()

    assert snap_compare(PictureApp(screen, ReadingForm()), terminal_size=size, run_before=wrong)


def test_why_a_run_went_as_it_did(snap_compare, size):
    bench = FakeBench(GOOD, studied=(RESISTANCE, WORK))
    bench.may_study.set()
    assert snap_compare(PictureApp(WhyScreen(bench, PATH)), terminal_size=size, run_before=all_read)
