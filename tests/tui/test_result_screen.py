"""The result screen by its keys and clicks: what is typed is kept at once, and nothing typed is lost."""

from dataclasses import replace

import pytest
from result_app import WAITING, app_with, settled
from result_bench import CARD, FIGURES, GOOD, PATH, TROUBLED, document, summary_of
from textual.widgets import DataTable, Footer, ProgressBar

from capture.events import TypedReading
from capture.run_card import Outcome, RunCard
from capture.storage.amendments import Amendments
from tui.screens.result import NextRun
from tui.screens.result_figures import shown_figures
from tui.widgets.figure_cell import FigureCell


@pytest.fixture
def result_at():
    return app_with


def line(app, name):
    return app.result.query_one(f"#{name}").render().plain


def texts(app):
    return {cell.figure.name: cell.figure.text for cell in app.result.query(FigureCell)}


def shown(app):
    """Return all that stands on the screen, row by row."""
    return "\n".join(
        "".join(segment.text for segment in strip) for strip in app.screen._compositor.render_strips()
    )


async def test_it_shows_file_figures_and_cuts(result_at):
    app = result_at()
    async with app.run_test(size=(120, 40)) as pilot:
        await settled(pilot)
        assert PATH.name in line(app, "file")
        assert str(PATH.parent) in line(app, "folder")
        figures = texts(app)
        assert (figures["energy, net"], figures["peak current"]) == ("12.526 Wh", "73.7 A")
        assert (figures["lowest group (6)"], figures["hottest"]) == ("3.573 V", "26.8 °C")
        assert (figures["lost"], figures["recovered"]) == ("0", "128")
        assert app.result.query_one(DataTable).row_count == 8
        assert not app.result.query_one("#warnings").display
        assert not app.result.query_one("#prompt").display


async def test_figures_of_channels_that_are_not_there_are_left_out_and_others_say_so(result_at):
    bare = replace(FIGURES, speed=None, lowest_group=None, peak_temperature=None, rest_voltage=None)
    app = result_at(summary_of(figures=bare))
    async with app.run_test() as pilot:
        await settled(pilot)
        assert "hottest" not in texts(app)
        assert texts(app)["rest voltage"] == "—"


async def test_warnings_stand_first_and_with_a_sign(result_at):
    app = result_at(TROUBLED)
    async with app.run_test(size=(120, 40)) as pilot:
        await settled(pilot)
        rows = shown(app).splitlines()
        first = next(at for at, row in enumerate(rows) if "on average, over the 20 A of the card" in row)
        assert first < next(at for at, row in enumerate(rows) if "duration" in row)
        assert any("! 1234 samples" in row for row in rows)
        assert "! lost" in shown(app)
        assert "!2" in shown(app)
        assert "…3" in shown(app)


@pytest.mark.parametrize(
    ("key", "outcome"), [("1", Outcome.COMPLETED), ("2", Outcome.TRIPPED), ("3", Outcome.OPERATOR_STOP)]
)
async def test_an_outcome_is_one_key(result_at, key, outcome):
    app = result_at()
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press(key)
        await settled(pilot)
        assert app.bench.kept == [Amendments({"outcome": outcome, "outcome_reason": ""})]
        assert f"● {outcome}" in shown(app)
        assert line(app, "notice") == "Kept beside the recording."


@pytest.mark.parametrize(("key", "outcome"), [("4", Outcome.RIG_FAILURE), ("5", Outcome.VOID)])
async def test_void_and_a_failed_rig_ask_for_the_reason(result_at, key, outcome):
    app = result_at()
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press(key, "enter")
        assert app.bench.kept == []
        await pilot.press(*"loose lead", "enter")
        await settled(pilot)
        assert app.bench.kept == [Amendments({"outcome": outcome, "outcome_reason": "loose lead"})]
        assert app.result.query_one("#warnings").display
        assert "loose lead" in shown(app)
        await pilot.press("1")
        await settled(pilot)
        assert app.bench.together.card == {"outcome": Outcome.COMPLETED, "outcome_reason": ""}


async def test_escape_from_the_reason_says_nothing_of_the_run(result_at):
    app = result_at()
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press("5", *"x", "escape")
        await settled(pilot)
        assert app.bench.kept == []
        assert app.screen is app.result


async def test_an_outcome_can_be_clicked(result_at):
    app = result_at()
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.click("#outcome-2")
        await settled(pilot)
        assert app.bench.together.card["outcome"] is Outcome.TRIPPED


async def test_n_writes_a_note_and_e_a_reading(result_at):
    app = result_at()
    async with app.run_test(size=(100, 90)) as pilot:
        await settled(pilot)
        await pilot.press("n", *"blunt?", "enter")
        await settled(pilot)
        await pilot.press("e", *"depth", "tab", *"31.5", "enter")
        await settled(pilot)
        assert app.bench.together == Amendments(
            notes=("blunt?",), readings=(TypedReading("depth", 31.5, "mm"),)
        )
        assert "blunt?" in shown(app)
        assert "depth 31.5 mm" in shown(app)


async def test_k_mends_a_mistyped_pack_and_keeps_only_what_changed(result_at):
    app = result_at(summary_of(document(RunCard(pack="hreon", tool="polesaw"))))
    async with app.run_test(size=(120, 60)) as pilot:
        await settled(pilot)
        await pilot.press("k", "tab", "ctrl+u", *"heron", "enter")
        await settled(pilot)
        assert app.bench.kept == [Amendments({"pack": "heron"})]
        assert "heron   (recorded as hreon)" in shown(app)
        await pilot.press("k", "enter")
        await settled(pilot)
        assert len(app.bench.kept) == 1
        assert line(app, "notice") == "Nothing was changed."


async def test_y_copies_the_path_and_then_the_figure_with_all_digits(result_at):
    app = result_at()
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press("y")
        await pilot.press("tab", "right", "y")
        await pilot.press("down", "down", "left", "y")
        await pilot.press("Y")
        assert app.clipboard_texts == [
            str(PATH),
            "12.52634187 Wh",
            "73.70999908447266 A",
            str(PATH),
        ]


async def test_a_figure_is_chosen_by_a_click_and_the_path_is_copied_by_one(result_at):
    app = result_at()
    async with app.run_test() as pilot:
        await settled(pilot)
        hottest = next(cell for cell in app.result.query(FigureCell) if cell.figure.name == "hottest")
        await pilot.click(hottest)
        copy = next(
            key for key in app.result.query_one(Footer).query("FooterKey") if key.description == "Copy"
        )
        await pilot.click(copy)
        await pilot.click("#folder")
        assert app.clipboard_texts == ["26.8 °C", str(PATH)]


async def test_what_cannot_be_kept_stays_on_the_screen_until_it_is(result_at):
    app = result_at()
    app.bench.fails = True
    async with app.run_test(size=(120, 60)) as pilot:
        await settled(pilot)
        await pilot.press("n", *"first", "enter")
        await settled(pilot)
        assert "Not kept yet" in line(app, "notice")
        assert "no space" in line(app, "notice")
        await pilot.press("n", *"second", "enter")
        await settled(pilot)
        assert "first" in shown(app)
        app.bench.fails = False
        await pilot.press("s")
        await settled(pilot)
        assert app.bench.kept == [Amendments(notes=("first", "second"))]
        assert line(app, "notice") == "Kept beside the recording."


async def test_leaving_with_something_unkept_takes_a_second_key(result_at):
    app = result_at()
    app.bench.fails = True
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        await pilot.press("escape")
        await settled(pilot)
        assert app.left_with is WAITING
        assert "gives it up" in line(app, "notice")
        await pilot.press("escape")
        await settled(pilot)
        assert app.left_with is None


async def test_enter_prepares_the_next_run_with_the_card_carried_over(result_at):
    done = replace(CARD, outcome=Outcome.TRIPPED, repeats="older.parquet")
    app = result_at(summary_of(document(done)), next_run=True)
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press("tab", "enter")
        await settled(pilot)
        assert app.left_with == NextRun(CARD)
        assert app.bench.kept == []


async def test_k_after_a_live_run_fills_in_the_next_card(result_at):
    app = result_at(summary_of(document(replace(CARD, outcome=Outcome.COMPLETED))), next_run=True)
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press("k", *["tab"] * 5, "ctrl+u", *"oak", "enter")
        await settled(pilot)
        assert app.left_with == NextRun(replace(CARD, material="oak"))
        assert app.bench.kept == []


async def test_shift_k_after_a_live_run_mends_this_runs_card(result_at):
    app = result_at(next_run=True)
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press("K", *["tab"] * 5, "ctrl+u", *"oak", "enter")
        await settled(pilot)
        assert app.bench.kept == [Amendments({"material": "oak"})]
        assert app.left_with is WAITING


@pytest.mark.parametrize("reason", ["", "slipped"])
async def test_redo_asks_whether_this_run_is_void_and_names_it_on_the_next_card(result_at, reason):
    app = result_at(next_run=True)
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press("R", *reason, "enter")
        await settled(pilot)
        assert app.left_with == NextRun(replace(CARD, repeats=PATH.name))
        void = Amendments({"outcome": Outcome.VOID, "outcome_reason": reason})
        assert app.bench.kept == ([void] if reason else [])


@pytest.mark.parametrize(("name", "repeats"), [("next", None), ("redo", PATH.name)])
async def test_the_prompt_can_be_clicked(result_at, name, repeats):
    app = result_at(next_run=True)
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.click(f"#{name}")
        await settled(pilot)
        if repeats:
            await pilot.press("enter")
            await settled(pilot)
        assert app.left_with == NextRun(replace(CARD, repeats=repeats))


async def test_keys_of_a_live_run_do_nothing_for_a_stored_one(result_at):
    app = result_at()
    async with app.run_test() as pilot:
        await settled(pilot)
        await pilot.press("enter", "R", "K")
        await settled(pilot)
        assert app.left_with is WAITING
        assert app.screen is app.result


async def test_progress_is_shown_while_it_reads_and_keys_wait(result_at):
    app = result_at(next_run=True, samples=39_500)
    app.bench.may_read.clear()
    app.bench.progress_rows = (19_750,)
    async with app.run_test() as pilot:
        for _ in range(100):
            await pilot.pause(0.01)
            if app.result.query_one(ProgressBar).progress:
                break
        assert app.result.query_one(ProgressBar).percentage == 0.5
        assert "19,750 samples" in shown(app)
        assert PATH.name in line(app, "file")
        await pilot.press("5", "n", "e", "k", "K", "R", "enter")
        assert app.screen is app.result
        assert "Still reading" in line(app, "notice")
        app.bench.may_read.set()
        await settled(pilot)
        assert texts(app)["cuts"] == "8"


async def test_leaving_ends_the_reading(result_at):
    app = result_at()
    app.bench.may_read.clear()
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press("escape")
        for _ in range(100):
            await pilot.pause(0.01)
            if app.left_with is not WAITING:
                break
        assert app.left_with is None
        app.bench.may_read.set()
        for _ in range(100):
            await pilot.pause(0.01)
            if app.bench.left_meanwhile.is_set():
                break
        assert app.bench.left_meanwhile.is_set()


async def test_a_recording_that_cannot_be_read_says_so(result_at):
    app = result_at()
    app.bench.unreadable = True
    async with app.run_test() as pilot:
        await settled(pilot)
        words = " ".join(shown(app).split())
        assert "is not a Parquet file" in words
        assert "Escape goes back" in words
        await pilot.press("escape")
        await settled(pilot)
        assert app.left_with is None


HOSTILE = "[@click=app.quit]x[/] [bold \x1b[31m\u202eabc\u2066 \t\n"


async def test_hostile_names_and_texts_are_shown_as_they_are(result_at):
    """No markup is obeyed, nothing steers the terminal, and each text can still be read."""
    card = RunCard(HOSTILE, HOSTILE, HOSTILE, HOSTILE, outcome=Outcome.VOID, outcome_reason=HOSTILE)
    entry = {"t_s": None, "text": HOSTILE}
    reading = {"t_s": 1.0, "quantity": HOSTILE, "value": 1.0, "unit": HOSTILE, "resolution": 0.5}
    told = document(card, marks=[entry], notes=[entry], readings=[reading], ended=HOSTILE)
    app = result_at(summary_of(told))
    async with app.run_test(size=(200, 90)) as pilot:
        await settled(pilot)
        everything = shown(app)
        assert everything.count("[@click=app.quit]x[/] [bold") >= 9
        assert not set(everything) & set("\x1b\u202e\u2066\t")
        for key in ("n", "k"):
            await pilot.press(key)
            await pilot.pause()
            assert not set(shown(app)) & set("\x1b\u202e\u2066\t")
            await pilot.press("escape")


@pytest.mark.parametrize("size", [(40, 12), (60, 16), (80, 24), (120, 40), (200, 60)], ids=str)
@pytest.mark.parametrize("summary", [GOOD, TROUBLED], ids=["good", "troubled"])
async def test_every_size_shows_whole_numbers(result_at, size, summary):
    app = result_at(summary, next_run=True)
    async with app.run_test(size=size) as pilot:
        await settled(pilot)
        for cell in app.result.query(FigureCell):
            assert cell.figure.text in cell.render().plain
            assert all(len(row) <= cell.size.width for row in cell.render().plain.splitlines())
        assert "Next" in shown(app) or "next run" in shown(app)
        for key in ("n", "e", "k"):
            await pilot.press(key)
            await pilot.pause()
            await pilot.press("escape")
        for width in range(40, 201, 40):
            await pilot.resize_terminal(width, 12 + width // 4)
            await pilot.pause()


def test_uncertainties_are_shown_where_there_is_room():
    """The name is whole before the uncertainty is told; value and digits are never cut."""
    known = replace(FIGURES, energy=replace(FIGURES.energy, u=0.144))
    energy = next(one for one in shown_figures(summary_of(figures=known)) if one.name == "energy, net")
    assert (energy.text, energy.precise) == ("12.526 Wh", "12.53 ± 0.29 Wh")
    assert energy.fitting(15) == "12.53 ± 0.29 Wh"
    assert energy.fitting(14) == "12.526 Wh"
    charge = next(one for one in shown_figures(summary_of(figures=known)) if one.name == "charge, net")
    assert charge.fitting(80) == charge.text
