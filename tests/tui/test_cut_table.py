"""The table of cuts: rows as texts, columns by width, and a widget that draws only what changed."""

from dataclasses import replace

import pytest
from textual.app import App
from textual.widgets import DataTable

from capture.cut_figures import NumberedCut
from capture.folds.cut_record import CutRecord, Sag
from capture.folds.phases import Phases
from tui.widgets.cut_rows import GAP_MEANS, UNFINISHED_MEANS, cut_rows, text_lines
from tui.widgets.cut_table import NO_CUTS_YET, CutTable

FIRST_US = 5_000_000
CUT = CutRecord(
    start_us=8_250_000,
    end_us=16_750_000,
    covered_s=8.5,
    charge_ah=0.0701,
    energy_wh=2.61812,
    mean_power_w=1108.8,
    peak_current_a=73.71,
    rest_voltage_v=41.949,
    rested_s=3.0,
    minimum_voltage_v=39.185,
    peak_sag=Sag(2.764, 6.589, 0.0375),
    steady_sag=Sag(1.2, 2.86, 0.04),
    mean_speed_rpm=4081.4,
    lowest_speed_rpm=3981.0,
    mean_force_n=None,
    mean_torque_nm=None,
    has_gap=False,
)
GAPPED = replace(CUT, start_us=20_000_000, end_us=21_000_000, has_gap=True, peak_sag=None, steady_sag=None)


def numbered(*records):
    return [NumberedCut(number, record) for number, record in enumerate(records, start=1)]


def test_a_row_has_the_figures_of_its_cut():
    table = cut_rows(numbered(CUT, GAPPED), FIRST_US, 200)
    assert dict(zip(table.headings, table.rows[0], strict=True)) == {
        "cut": "1",
        "start s": "3.2",
        "took s": "8.5",
        "energy Wh": "2.618",
        "mean W": "1109",
        "peak A": "73.7",
        "peak sag V": "2.76",
        "steady sag V": "1.20",
        "mean rpm": "4081",
        "lowest rpm": "3981",
    }
    assert dict(zip(table.headings, table.rows[1], strict=True))["peak sag V"] == "—"
    assert table.rows[1][0] == "!2"


def test_speed_stands_there_only_where_a_cut_has_one():
    slow = replace(CUT, mean_speed_rpm=None, lowest_speed_rpm=None)
    assert "mean rpm" not in cut_rows(numbered(slow), FIRST_US, 200).headings
    assert "mean rpm" in cut_rows(numbered(slow, CUT), FIRST_US, 200).headings


def test_the_working_time_stands_there_only_where_phases_tell_it():
    timed = replace(CUT, phases=Phases(contact_us=9_000_000, severance_us=16_120_000, work_u_s=0.008))
    assert "work s" not in cut_rows(numbered(CUT), FIRST_US, 200).headings
    table = cut_rows(numbered(timed, CUT), FIRST_US, 200)
    assert [row[table.headings.index("work s")] for row in table.rows] == ["7.12", "—"]


@pytest.mark.parametrize("width", range(1, 130))
def test_columns_go_from_the_right_and_digits_are_never_cut(width):
    """A number of many digits takes the room of the columns to its right."""
    long = replace(CUT, energy_wh=123456.789)
    whole, table = cut_rows(numbered(long), FIRST_US, 200), cut_rows(numbered(long), FIRST_US, width)
    count = len(table.headings)
    assert count >= 1
    assert (table.headings, table.rows[0]) == (whole.headings[:count], whole.rows[0][:count])
    assert sum(table.widths) + 2 * count <= max(width, len("cut") + 2)


def test_the_lines_for_a_pipe_stand_under_one_another():
    lines = text_lines(numbered(CUT, GAPPED), FIRST_US)
    assert len({len(line) for line in lines}) == 1
    assert lines[1].split()[:3] == ["1", "3.2", "8.5"]


class TableApp(App):
    def __init__(self, **options):
        super().__init__()
        self.cuts = CutTable(**options)

    def compose(self):
        yield self.cuts


def cells(app):
    table = app.query_one(DataTable)
    return [[cell.plain for cell in table.get_row_at(at)] for at in range(table.row_count)]


async def test_an_empty_table_says_what_to_do():
    async with TableApp().run_test() as pilot:
        assert pilot.app.query_one(".empty").content == NO_CUTS_YET
        pilot.app.cuts.show([CUT], FIRST_US)
        await pilot.pause()
        assert not pilot.app.query_one(".empty").display
        pilot.app.cuts.show([], FIRST_US)
        await pilot.pause()
        assert pilot.app.query_one(".empty").display
        assert cells(pilot.app) == []


async def test_newest_first_and_numbers_as_given():
    async with TableApp(newest_first=True).run_test() as pilot:
        pilot.app.cuts.show([CUT, GAPPED], FIRST_US, first_number=7, unfinished=True)
        await pilot.pause()
        assert [row[0] for row in cells(pilot.app)] == ["…!8", "7"]
        assert pilot.app.query_one(".signs").content == f"{GAP_MEANS}\n{UNFINISHED_MEANS}"


async def test_only_cells_that_changed_are_drawn(monkeypatch):
    """A refresh with the same cuts does nothing; one with a longer cut changes its cells alone."""
    async with TableApp().run_test(size=(120, 20)) as pilot:
        table = pilot.app.query_one(DataTable)
        pilot.app.cuts.show([CUT, GAPPED], FIRST_US)
        await pilot.pause()
        asked = []
        for name in ("clear", "add_row", "remove_row", "update_cell_at"):
            method = getattr(table, name)

            def noted(*args, name=name, method=method, **kwargs):
                asked.append((name, args[0] if args and name == "update_cell_at" else None))
                return method(*args, **kwargs)

            monkeypatch.setattr(table, name, noted)
        pilot.app.cuts.show([CUT, GAPPED], FIRST_US)
        assert asked == []
        pilot.app.cuts.show([CUT, replace(GAPPED, end_us=21_500_000)], FIRST_US)
        assert asked == [("update_cell_at", (1, 2))]
        asked.clear()
        pilot.app.cuts.show([CUT, GAPPED, CUT], FIRST_US)
        assert [name for name, _ in asked] == ["update_cell_at", "add_row"]


async def test_a_narrower_table_gives_columns_up_and_takes_them_again():
    async with TableApp().run_test(size=(120, 20)) as pilot:
        pilot.app.cuts.show([CUT], FIRST_US)
        await pilot.pause()
        wide = cells(pilot.app)
        await pilot.resize_terminal(40, 12)
        await pilot.pause()
        assert cells(pilot.app) == [wide[0][:4]]
        await pilot.resize_terminal(120, 20)
        await pilot.pause()
        assert cells(pilot.app) == wide


def test_uncertainties_stand_behind_the_values_that_have_one():
    """Two standard uncertainties, rounded; a figure without one stays as it is."""
    us = [{"energy": 0.0123, "mean_power": 4.0}, {}]
    lines = text_lines(numbered(CUT, GAPPED), FIRST_US, us)
    assert f"{CUT.energy_wh:.3f} ± 0.025" in lines[1]
    assert f"{CUT.mean_power_w:.1f} ± 8.0" in lines[1]
    assert "±" not in lines[2]
