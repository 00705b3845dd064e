"""All folds at once: equal figures for any chunks of a run with divided channels, gaps, pause and restart."""

from dataclasses import replace

import numpy as np
import pytest
from fold_blocks import after_gap, block_of, divided, fed, marked, pieces_of
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.blocks import Quality
from capture.folds.run import RunFolds

DIVISORS = {"speed_rpm": 5, "force_n": 12, "group_1_v": 7, "group_2_v": 7, "pack_temperature_degc": 100}


def stretch_of_work(first_index, rows, seed, segment=0):
    random = np.random.default_rng(seed)
    at = first_index + np.arange(rows)
    current = np.where(at % 2500 < 900, 0.02, 25.0 + 5 * np.sin(at / 40)) + random.normal(0, 0.05, rows)
    voltage = 41.0 - 2e-4 * at - 0.06 * current + random.normal(0, 0.003, rows)
    speed = np.where(random.random(rows) < 0.03, 2.0, 1.0) * np.where(current > 3, 4000 - 20 * current, 0)
    force = 100 + random.normal(0, 1, rows)
    force[random.random(rows) < 0.2] = np.nan
    return block_of(
        current,
        voltage,
        first_index=first_index,
        interval_us=2000,
        segment=segment,
        speed_rpm=divided(speed, 5, first_index),
        force_n=divided(force, 12, first_index),
        group_1_v=divided(voltage / 2 + 0.01, 7, first_index),
        group_2_v=divided(voltage / 2 - random.random(rows) / 100, 7, first_index),
        pack_temperature_degc=divided(25 + at / 1000, 100, first_index),
    )


def eventful_run():
    """Return blocks with a short gap and a long one, a pause that skips no sample, and a restart."""
    paused = marked(stretch_of_work(9300, 9000, 3), Quality.AFTER_PAUSE, row=4000)
    paused.ticks_us[4000:] += 3_000_000
    restarted = stretch_of_work(0, 9500, 4, segment=1)
    restarted = replace(restarted, ticks_us=restarted.ticks_us + 60_000_000)
    return [
        stretch_of_work(100, 4000, 1),
        after_gap(stretch_of_work(4150, 4000, 2)),
        after_gap(paused),
        restarted,
    ]


SETTINGS = {"cutoff_v": 28.0, "divisors": DIVISORS, "series": 10}


@settings(deadline=None, max_examples=15)
@given(seed=st.integers(0, 2**32))
def test_all_figures_do_not_depend_on_chunks(seed):
    """Cut records, speed, integrals, remaining time, counts: equal floats, not nearly equal ones."""
    random = np.random.default_rng(seed)
    pieces = [piece for block in eventful_run() for piece in pieces_of(block, random)]
    assert fed(*pieces, **SETTINGS) == fed(*eventful_run(), **SETTINGS)


def test_the_run_has_what_the_comparison_is_about():
    """Equal emptiness would prove nothing."""
    figures = fed(*eventful_run(), **SETTINGS)
    assert figures.cuts == len(figures.cut_records) + 1
    assert {record.has_gap for record in figures.cut_records} == {True, False}
    assert figures.speed.suspect_readings > 10
    assert figures.accounting.missing["force_n"] > 50
    assert figures.lowest_group.group == 2


def test_all_figures_may_be_read_at_any_time():
    """Asking ten times a second changes nothing that comes later."""
    asked = RunFolds(**SETTINGS)
    for block in eventful_run():
        for start in range(0, len(block), 50):
            asked.feed([block.part(start, min(start + 50, len(block)))])
            asked.figures()
    assert asked.figures() == fed(*eventful_run(), **SETTINGS)


def test_quality_and_missing_readings_are_counted():
    """Rows by their bits; a reading counts as missing only where its channel was due."""
    block = block_of(np.ones(100), np.ones(100), first_index=3, force_n=divided(np.ones(100), 4, 3))
    block.columns["force_n"][1] = np.nan  # sample 4: due
    block.columns["voltage_v"][[7, 8]] = np.nan
    block = marked(block, Quality.AFTER_PAUSE, Quality.CLIPPED, row=50)
    block = marked(after_gap(block), Quality.CLIPPED, row=60)
    told = fed(block, divisors={"force_n": 4}).accounting
    assert (told.rows, told.clipped, told.after_gap, told.after_pause) == (100, 2, 1, 1)
    assert told.missing == {"current_a": 0, "voltage_v": 2, "force_n": 1}


def test_the_lowest_group_and_the_highest_temperature():
    """The first of equals, with its group; what is no group voltage is not taken for one."""
    low = np.full(3000, 4.0)
    low[1500] = 3.25
    figures = fed(
        block_of(
            np.ones(3000),
            np.full(3000, 40.0),
            group_10_v=low,
            group_2_v=low + 0.25,
            group_x_v=low - 1,
            pack_temperature_degc=divided(np.linspace(20, 50, 3000), 10),
        )
    )
    assert (figures.lowest_group.group, figures.lowest_group.voltage.value) == (10, 3.25)
    assert figures.peak_temperature.value == pytest.approx(20 + 30 * 2990 / 2999, rel=1e-6)


def test_without_the_columns_nothing_is_said_of_them():
    """No group, no temperature, no speed, no cut-off: None, not zero."""
    figures = fed(block_of(np.ones(100), np.ones(100)))
    told = (figures.lowest_group, figures.peak_temperature, figures.speed, figures.remaining)
    assert told == (None, None, None, None)
