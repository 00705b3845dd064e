"""The forms by their keys: what is typed is what they dismiss with, and a fault loses nothing."""

from dataclasses import replace

import pytest
from textual.widgets import Input

from capture.events import TypedReading
from capture.run_card import RunCard
from tui.app import SaglineApp
from tui.screens.ask_line import LineForm, ReadingForm
from tui.screens.card_form import CardForm

CARD = RunCard("timed cut", "heron", "polesaw", ambient_degc=-5.0, series=10, max_current_a=60.0)
NOTHING = object()


@pytest.fixture
def form_at(app_at, moments):
    """Return a pilot on a form, and a list that gets what the form dismisses with."""

    def build(form):
        app, results = app_at(moments["streaming"]), []
        app.call_later(app.push_screen, form, results.append)
        return app, results

    return build


def fault(app):
    line = app.screen.query_one("#fault")
    return line.content if line.display else ""


def value(app, name):
    return app.screen.query_one(f"#field-{name}", Input).value


async def test_a_line_is_typed_and_kept(form_at):
    app, results = form_at(LineForm("Why is it void?"))
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press("enter")
        assert fault(app) == "! type a few words, or press Escape to leave it"
        await pilot.press(*"q?1t", "enter")
    assert results == ["q?1t"]


async def test_an_empty_line_is_taken_where_it_may_be_empty(form_at):
    app, results = form_at(LineForm("Void?", required=False))
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press("enter")
    assert results == [""]


@pytest.mark.parametrize(
    "form", [LineForm("a"), ReadingForm(), CardForm(CARD)], ids=["line", "reading", "card"]
)
async def test_escape_leaves_without(form_at, form):
    app, results = form_at(form)
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press(*"abc", "escape")
    assert results == [None]


@pytest.mark.parametrize(("way", "expected"), [("keep", ["ash"]), ("back", [None])])
async def test_the_ways_out_can_be_clicked(form_at, way, expected):
    app, results = form_at(LineForm("a"))
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press(*"ash")
        await pilot.click(f"#{way}")
        await pilot.pause()
    assert results == expected


async def test_a_reading_is_typed_field_by_field_and_enter_asks_for_what_lacks(form_at):
    app, results = form_at(ReadingForm())
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press("enter")
        assert fault(app).startswith("! quantity: what was read?")
        await pilot.press(*"torque", "enter")
        assert fault(app) == "! value: how much was it?"
        assert value(app, "unit") == "N.m"
        await pilot.press(*"38,5", "enter")
        assert "comma" in fault(app)
        await pilot.press("backspace", "backspace", *".5", "tab", "tab", *"0.5", "enter")
    assert results == [TypedReading("torque", 38.5, "N.m", 0.5)]


async def test_a_unit_that_was_typed_is_not_replaced(form_at):
    app, results = form_at(ReadingForm())
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press(*"depth", "tab", *"2", "tab")
        assert value(app, "unit") == "mm"
        await pilot.press("ctrl+u", *"in", "shift+tab", "shift+tab", "ctrl+u", *"torque", "enter")
    assert results == [TypedReading("torque", 2.0, "in", None)]


async def test_an_offered_quantity_can_be_clicked_or_completed(form_at):
    app, results = form_at(ReadingForm())
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        await pilot.click("#offered", offset=(2, 0))
        await pilot.pause()
        assert (value(app, "quantity"), value(app, "unit")) == ("torque", "N.m")
        await pilot.press("ctrl+u", *"clam")
        await pilot.pause()
        await pilot.press("right", "down", *"1", "enter")
    assert results == [TypedReading("clamp force", 1.0, "kN", None)]


async def test_the_card_keeps_what_is_not_asked_for(form_at):
    app, results = form_at(CardForm(CARD))
    async with app.run_test() as pilot:
        await pilot.pause()
        assert (value(app, "pack"), value(app, "ambient_degc"), value(app, "series")) == ("heron", "-5", "10")
        await pilot.press("tab", "tab", "tab", *"gear 2", "enter")
    assert results == [
        RunCard(
            "timed cut",
            "heron",
            "polesaw",
            setting="gear 2",
            ambient_degc=-5.0,
            series=10,
            max_current_a=60.0,
        )
    ]


async def test_a_wrong_number_is_said_and_nothing_typed_is_lost(form_at):
    app, results = form_at(CardForm(CARD))
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press(*["tab"] * 6, *"wide", "enter")
        assert fault(app) == "! section: 'wide' is not a number"
        assert value(app, "section_mm2") == "wide"
        assert app.screen.focused.id == "field-section_mm2"
        await pilot.press("ctrl+u", *"1800", "enter")
    assert results[0].section_mm2 == 1800.0


async def test_another_pack_under_the_limits_of_the_last_is_asked_about_once(form_at):
    app, results = form_at(CardForm(CARD))
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press("tab", "ctrl+u", *"wren", "enter")
        assert "belong to the pack" in fault(app)
        assert results == []
        await pilot.press("ctrl+u", *"5", "enter")
    assert (results[0].pack, results[0].series, results[0].max_current_a) == ("wren", 5, 60.0)


async def test_another_tool_described_as_the_last_is_asked_about_once(form_at):
    """A card that is carried over would call the new tool regulated because the old one was."""
    app, results = form_at(CardForm(replace(CARD, tool_kind="saw", regulated=True, current_limit_a=40.0)))
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press("tab", "tab", "ctrl+u", *"driver", "enter")
        assert "belong to the tool" in fault(app)
        assert app.screen.focused.id == "field-tool_kind"
        assert results == []
        await pilot.press("ctrl+u", *"impact", "tab", "ctrl+u", "enter")
    card = results[0]
    assert (card.tool, card.tool_kind, card.regulated, card.current_limit_a) == (
        "driver",
        "impact",
        None,
        40.0,
    )


@pytest.mark.parametrize("size", [(40, 12), (80, 24), (200, 60)], ids=str)
@pytest.mark.parametrize("make", [lambda: CardForm(CARD), ReadingForm, lambda: LineForm("t" * 300)])
async def test_forms_stand_in_every_size_and_every_field_can_be_reached(form_at, size, make):
    app, _ = form_at(make())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        boxes = list(app.screen.query(Input))
        for box in boxes:
            await pilot.pause()
            assert app.screen.focused is box
            assert box.region.height == 1
            assert app.screen.find_widget(box).visible_region.height == 1
            await pilot.press("tab")


async def test_hostile_texts_stand_in_a_form_as_they_are(form_at):
    """Markup, escapes and marks that reverse text are not obeyed, and come out as they went in."""
    card = RunCard(pack="[red]x[/", tool="[@click=app.quit]y", note="\u202e\x1b[2J")
    app, results = form_at(CardForm(card, title="[b]"))
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press("enter")
    assert results == [card]
    assert isinstance(app, SaglineApp)
