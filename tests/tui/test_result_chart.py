"""The picture of the whole run on the result screen."""

from dataclasses import replace

from result_app import app_with, settled
from result_bench import GOOD

from tui.widgets.chart_picture import GAP_SIGN, MARK_SIGN
from tui.widgets.cut_table import CutTable
from tui.widgets.envelope_chart import EnvelopeChart


async def test_the_whole_run_is_drawn_with_its_cuts_and_marks():
    """From the first sample on, behind the figures; in a low screen behind the cuts."""
    app = app_with()
    async with app.run_test(size=(120, 40)) as pilot:
        await settled(pilot)
        chart, table = app.result.query_one(EnvelopeChart), app.result.query_one(CutTable)
        lines = chart._picture.lines()
        assert lines[-1].split()[:4] == ["0", "s", "10", "s"]
        assert all(f"[{number}]" in lines[-2] for number in range(1, 9))
        assert lines[-2].count(MARK_SIGN) == 2
        assert GAP_SIGN in lines[-2]
        assert chart.region.y < table.region.y
        await pilot.resize_terminal(80, 24)
        await settled(pilot)
        assert chart.region.y > table.region.y


async def test_a_run_without_current_has_no_picture():
    recording = replace(GOOD.recording, columns=("speed_rpm",))
    app = app_with(replace(GOOD, recording=recording))
    async with app.run_test(size=(120, 40)) as pilot:
        await settled(pilot)
        assert not app.result.query_one(EnvelopeChart).display
