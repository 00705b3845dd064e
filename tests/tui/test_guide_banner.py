"""The banner of a guided test on the live screen, and the resistance on the screen behind it."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from guide_reports import report
from result_app import app_with, settled
from result_bench import CARD, document, summary_of

from capture.engine.snapshot import LinkState
from capture.errors import RecordingDamaged
from capture.guide.steps import Step, Trouble
from capture.quantities import Figure
from capture.studies.pulse_resistance import PulseResistance
from tui.widgets.figure_cell import FigureCell
from tui.widgets.figure_tile import FigureTile
from tui.widgets.guide_banner import GuideBanner

FOUND = SimpleNamespace(
    pulses=PulseResistance(
        (),
        (Figure(0.04187, 0.00048, "Ohm"), Figure(0.0481, 0.0006, "Ohm"), None),
        Figure(0.03436, 0.00041, "Ohm"),
        as_circuit=True,
        taus_s=(0.12,),
        mean_over_ah=(0.0, 0.07),
        notes=(),
    )
)
SAG_TEST = summary_of(document(replace(CARD, kind="sag test")))


def banner(app):
    return app.screen.query_one(GuideBanner)


def guided(moments, step, **changes):
    return replace(moments["recording"], guide=report(step, **changes))


async def test_without_a_guide_there_is_no_banner(app_at, moments):
    async with app_at(moments["recording"]).run_test() as pilot:
        await pilot.pause()
        assert not banner(pilot.app).display


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (80, 16), (40, 14)])
async def test_the_order_stands_there_in_any_terminal(app_at, moments, size):
    app = app_at(guided(moments, Step.SWITCH_ON))
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        shown = banner(app).render().plain
        assert "▲  Switch the load on now" in shown
        assert ("█" in shown) == (size[1] >= 18)
        assert banner(app).has_class("-acts")
        assert banner(app).region.bottom <= size[1]
        for name in ("voltage", "current"):
            assert app.screen.query_one(f"#{name}", FigureTile).display


async def test_the_banner_follows_the_test(session_at, app_at, moments):
    app = app_at(guided(moments, Step.HOLD, seconds_left=6.5))
    async with app.run_test() as pilot:
        await pilot.pause()
        assert "Hold: 7 s" in banner(app).render().plain
        assert not banner(app).has_class("-acts")
        session = app.sitting.session
        session.now = guided(moments, Step.REST, seconds_left=29.0, trouble=Trouble.EARLY_RELEASE)
        app.screen.look()
        assert "done again" in banner(app).render().plain
        session.now = moments["recording"]
        app.screen.look()
        assert not banner(app).display


async def test_a_frozen_view_still_says_what_to_do(app_at, moments):
    app = app_at(guided(moments, Step.HOLD, seconds_left=6.5))
    async with app.run_test() as pilot:
        await pilot.press("space")
        app.sitting.session.now = guided(moments, Step.SWITCH_OFF)
        app.screen.look()
        assert "Switch it off now" in banner(app).render().plain


async def test_without_samples_it_says_load_off(app_at, moments):
    now = guided(moments, Step.HOLD, seconds_left=6.5)
    app = app_at(replace(now, link=replace(now.link, state=LinkState.RECONNECTING)))
    async with app.run_test() as pilot:
        await pilot.pause()
        assert "No samples: switch the load off" in banner(app).render().plain


async def test_the_help_explains_the_words_of_the_banner(app_at, moments):
    app = app_at(guided(moments, Step.HOLD, seconds_left=6.5))
    async with app.run_test(size=(120, 100)) as pilot:
        await pilot.press("question_mark")
        rows = "\n".join(
            "".join(segment.text for segment in strip) for strip in app.screen._compositor.render_strips()
        )
        assert "Guided test" in rows
        assert "LOAD OFF" in rows


# the result


def cells(app):
    return {cell.figure.name: cell.figure for cell in app.result.query(FigureCell)}


async def test_the_result_of_a_sag_test_begins_with_the_resistance():
    app = app_with(SAG_TEST)
    app.bench.pulses = lambda _path: FOUND
    async with app.run_test(size=(120, 40)) as pilot:
        await settled(pilot)
        await settled(pilot)
        told = cells(app)
        assert list(told)[:4] == [
            "resistance, ohmic",
            "resistance, 0.1 s",
            "resistance, 1 s",
            "resistance, 10 s",
        ]
        assert told["resistance, 0.1 s"].precise == "41.87 ± 0.96 mΩ"
        assert told["resistance, 10 s"].text == "—"
        assert "energy, net" in told
        await pilot.press("1")
        await settled(pilot)
        assert list(cells(app))[:1] == ["resistance, ohmic"], "what is typed takes no figure away"


async def test_why_there_is_no_resistance_is_said():
    def fails(path):
        raise RecordingDamaged("cannot be read", str(path), "Give a recording.")

    app = app_with(SAG_TEST)
    app.bench.pulses = fails
    async with app.run_test(size=(120, 40)) as pilot:
        await settled(pilot)
        await settled(pilot)
        assert "resistance, ohmic" not in cells(app)
        assert "! Resistance:" in app.result.query_one("ResistanceReading").render().plain


async def test_other_runs_are_not_asked_for_a_resistance():
    """The workbench of this test has none to give."""
    app = app_with()
    async with app.run_test(size=(120, 40)) as pilot:
        await settled(pilot)
        assert not app.result.query_one("ResistanceReading").display
