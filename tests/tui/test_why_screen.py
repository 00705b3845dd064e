"""The screen of the electrical why: what it shows, where it leads, what it says where it cannot tell."""

import pytest
from result_app import ResultApp
from result_bench import GOOD, FakeBench
from studied_run_figures import CUTS, NO_WORK, PRESS, RESISTANCE, UNTOLD, WORK, cut
from textual.widgets import ProgressBar, Static

from capture.work import RunWork
from tui.screens.why import WhyScreen
from tui.screens.why_sections import NO_CUTS, NO_RESISTANCE, why_sections
from tui.widgets.interval_rows import DOT


def bench(studied, *, at_once=True):
    bench = FakeBench(GOOD, studied=studied)
    bench.may_read.set()
    if at_once:
        bench.may_study.set()
    return bench


async def opened(pilot):
    await pilot.pause()
    await pilot.app.workers.wait_for_complete()
    await pilot.press("w")
    await pilot.pause()


async def all_told(pilot):
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()
    return str(pilot.app.screen.query_one("#why-words", Static).render())


async def test_w_leads_there_and_escape_back():
    app = ResultApp(bench((RESISTANCE, WORK)))
    async with app.run_test(size=(100, 40)) as pilot:
        await opened(pilot)
        assert isinstance(app.screen, WhyScreen)
        words = await all_told(pilot)
        for told in (
            "at once (ohmic)",
            "21.90 ± 0.52 mΩ",
            "group 6",
            "joints: 1.50",
            "cut 5",
            "motor line: 105.8",
        ):
            assert told in words
        assert words.count(DOT) == 3 + 10 + 5
        assert "air [bold]speed 61.50 ± 0.60 m/s, read 3 times, cut 1, 2, 3" in words
        await pilot.press("escape")
        await pilot.pause()
        assert app.screen is app.result


async def test_while_it_is_worked_out_it_says_so():
    waiting = bench((RESISTANCE, WORK), at_once=False)
    app = ResultApp(waiting)
    async with app.run_test(size=(100, 40)) as pilot:
        await opened(pilot)
        assert app.screen.query_one(ProgressBar).display
        assert "takes some seconds" in str(app.screen.query_one("#why-words", Static).render())
        waiting.may_study.set()
        await all_told(pilot)
        assert not app.screen.query_one(ProgressBar).display


async def test_what_cannot_be_read_is_one_line():
    app = ResultApp(bench((None, None)))
    async with app.run_test(size=(100, 40)) as pilot:
        await opened(pilot)
        assert "! " in (words := await all_told(pilot))
        assert "is not a Parquet file" in words


def words_of(resistance, work):
    return "\n".join(line for section in why_sections(resistance, work) for line in section.lines(110))


def test_where_nothing_can_be_told_it_says_what_it_takes():
    words = words_of(UNTOLD, NO_WORK)
    assert NO_RESISTANCE in words
    assert NO_CUTS in words


def test_a_press_shows_its_force():
    pressed = RunWork(WORK.run, (cut(1, 4000.0, PRESS),), "no line", (None,), None, None, None)
    words = words_of(RESISTANCE, pressed)
    assert "press 1  28400 ± 560 N" in words
    assert "highest force" in words


def test_a_run_of_many_cuts_is_cut_short_and_says_so():
    many = tuple(cut(number, 4000.0) for number in range(1, 101))
    words = words_of(RESISTANCE, RunWork(WORK.run, many, "no line", (None,) * 100, None, None, None))
    assert "and 60 more" in words


@pytest.mark.parametrize("width", [20, 60, 116])
def test_it_fits_any_width(width):
    for section in why_sections(RESISTANCE, WORK):
        drawn = section.lines(width)[: len(section.intervals)]
        assert all(len(line) <= max(width, 40) for line in drawn)
    assert len(CUTS) == 5
