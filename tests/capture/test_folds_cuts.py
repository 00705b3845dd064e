"""Cuts: what is one, what its record says, and what a gap does to it."""

from dataclasses import replace

import numpy as np
import pytest
from fold_blocks import after_gap, block_of, divided, fed, marked

from capture.blocks import Quality
from capture.folds import cuts
from capture.folds.run import RunFolds

ROWS = 12_000


def work(*stretches, level=30.0, **columns):
    """Return a block with a level of current in the given stretches of milliseconds and 40 V."""
    current = np.zeros(ROWS)
    for start, stop in stretches:
        current[start:stop] = level
    return block_of(current, np.full(ROWS, 40.0), **columns)


def shifted(block, by_us):
    return replace(block, ticks_us=block.ticks_us + by_us)


@pytest.mark.parametrize(
    ("stretches", "count"),
    [
        ([], 0),
        ([(1000, 4000)], 1),
        ([(1000, 4000), (5000, 8000)], 2),
        ([(1000, 4000), (4200, 8000)], 1),
        ([(1000, 1100)], 0),
        ([(0, 12_000)], 1),
        ([(11_000, 12_000)], 1),
        ([(1000, 1100), (1300, 1350)], 1),
    ],
    ids=[
        "none",
        "one",
        "two",
        "a pause inside",
        "a blip",
        "all along",
        "running",
        "two blips close together",
    ],
)
def test_cuts(stretches, count):
    """Stretches of work are counted; pauses under 0.3 s belong to them, blips under 0.2 s are none."""
    assert fed(work(*stretches)).cuts == count


def test_cuts_use_hysteresis():
    """Between the two thresholds the earlier state holds: ripple around the upper one starts no new cut."""
    current = np.zeros(6000)
    current[1000:5000] = np.where(np.arange(4000) // 100 % 2, 2.0, 10.0)
    assert fed(block_of(current, np.full(6000, 40.0))).cuts == 1


def test_a_chopped_current_is_one_cut():
    """Point samples of a chopped current are zero half of the time; so many edges split nothing."""
    current = np.zeros(9000)
    current[1000:6000] = np.where(np.arange(5000) % 2, 0.0, 40.0)
    figures = fed(block_of(current, np.full(9000, 40.0)))
    (record,) = figures.cut_records
    assert (record.start_us, record.end_us) == (1_000_000, 5_998_000)


def test_a_brake_at_the_end_is_no_cut():
    """The negative current of the brake is behind the cut and begins none."""
    current = np.zeros(6000)
    current[1000:4000], current[4000:4100] = 30.0, -25.0
    (record,) = fed(block_of(current, np.full(6000, 40.0))).cut_records
    assert (record.start_us, record.end_us) == (1_000_000, 3_999_000)


def test_a_record_holds_the_work_alone():
    """20 A for 2 s and a pause of 0.1 s inside; the quiet behind it is not part of the cut."""
    current = np.zeros(6000)
    current[1000:2000], current[2100:3101] = 20.0, 20.0
    (record,) = fed(block_of(current, np.full(6000, 40.0))).cut_records
    assert record.duration_s == pytest.approx(2.1)
    assert record.covered_s == pytest.approx(2.1)
    expected_c = np.trapezoid(current[1000:3101], dx=1e-3)
    assert record.charge_ah * 3600 == pytest.approx(expected_c, rel=1e-9)
    assert record.energy_wh == pytest.approx(record.charge_ah * 40.0, rel=1e-9)
    assert record.mean_power_w == pytest.approx(expected_c * 40.0 / 2.1, rel=1e-9)
    assert record.peak_current_a == 20.0


def sagging():
    """Rest at 42 V; inrush of 10 ms to 30 V; 38 V falling to 36 V in 4 s at 20 A, then rest."""
    current, voltage = np.zeros(8000), np.full(8000, 42.0)
    current[2000:6000], current[2000:2010] = 20.0, 60.0
    voltage[2000:6000] = np.linspace(38.0, 36.0, 4000)
    voltage[2000:2010] = 30.0
    return block_of(current, voltage)


def test_sags_of_a_cut():
    """Peak sag from the lowest 20 ms mean, steady sag from the last half's, each per its mean current."""
    (record,) = fed(sagging()).cut_records
    # the lowest 20 ms that lie wholly in the cut begin behind its first sample: 9 of inrush, 11 of the line
    line = np.linspace(38.0, 36.0, 4000)
    lowest_v, current_a = (9 * 30.0 + line[10:21].sum()) / 20, (9 * 60.0 + 11 * 20.0) / 20
    assert (record.rest_voltage_v, record.rested_s) == (42.0, pytest.approx(1.999))
    assert record.minimum_voltage_v == pytest.approx(lowest_v, rel=1e-6)
    assert record.peak_sag.volts == pytest.approx(42.0 - lowest_v, rel=1e-6)
    assert record.peak_sag.per_ampere == pytest.approx((42.0 - lowest_v) / current_a, rel=1e-6)
    assert record.steady_sag.volts == pytest.approx(42.0 - 36.5, abs=0.01)
    assert record.steady_sag.percent == pytest.approx(100 * 5.5 / 42, abs=0.02)
    assert record.steady_sag.per_ampere == pytest.approx(5.5 / 20, rel=0.003)


@pytest.mark.parametrize("seconds", [3, 30, 300])
def test_the_last_half_is_found_however_long_the_cut(seconds):
    """Half time is known at the end only; the checkpoints stay few and misplace it by 1/512 at most."""
    rows = seconds * 500
    voltage = np.concatenate([np.full(500, 42.0), np.linspace(40.0, 30.0, rows), np.full(500, 42.0)])
    current = np.concatenate([np.zeros(500), np.full(rows, 20.0), np.zeros(500)])
    folds = RunFolds()
    folds.feed([block_of(current[: rows + 400], voltage[: rows + 400], interval_us=2000)])
    assert len(folds.state().cuts.stretch.ongoing.loaded.checkpoints) <= 512
    (record,) = fed(block_of(current, voltage, interval_us=2000)).cut_records
    assert record.steady_sag.volts == pytest.approx(42.0 - 32.5, abs=10 / 512 + 2 * 10 / rows)


def test_without_a_rest_before_there_is_no_sag():
    """A lamp that draws 1 A between the cuts leaves no rest: minimum voltage yes, sags no."""
    block = work((1000, 3000))
    block.columns["current_a"][:1000] = 1.0
    (record,) = fed(block).cut_records
    assert (record.rest_voltage_v, record.peak_sag, record.steady_sag) == (None, None, None)
    assert record.minimum_voltage_v == 40.0


def test_the_rest_is_the_one_before_the_cut():
    """Rests behind the cut in the same block of the grid are of the future."""
    current, voltage = np.zeros(2048), np.full(2048, 42.0)
    current[300:550], voltage[300:550], voltage[550:] = 20.0, 39.0, 41.0
    (record,) = fed(block_of(current, voltage)).cut_records
    assert record.rest_voltage_v == 42.0


def test_speed_counts_once_the_tool_has_run_up_and_force_all_along():
    """The first half second of a cut is the run-up; a divided channel is weighed by time like any other."""
    speed = np.zeros(ROWS)
    speed[1000:1500], speed[1500:3000], speed[3000:4001] = np.linspace(0, 4000, 500), 4000.0, 3000.0
    force = np.full(ROWS, 50.0)
    force[2000:4001] = 80.0
    block = work((1000, 4000), speed_rpm=divided(speed, 10), force_n=divided(force, 20))
    figures = fed(block, divisors={"speed_rpm": 10, "force_n": 20})
    (record,) = figures.cut_records
    assert record.lowest_speed_rpm == 3000.0
    assert record.mean_speed_rpm == pytest.approx((1.5 * 4000 + 1.0 * 3000) / 2.5, rel=0.002)
    assert record.mean_force_n == pytest.approx(70.0, rel=0.01)
    assert (figures.speed.working_mean, figures.speed.lowest_working) == (record.mean_speed_rpm, 3000.0)
    assert record.mean_torque_nm is None


def test_a_short_gap_lies_inside_the_cut():
    """A fifth of a second is lost while the tool draws: one cut that says so, its energy without the gap."""
    block = work((1000, 4000))
    (record,) = fed(block.part(0, 2000), after_gap(block.part(2200, ROWS))).cut_records
    assert record.has_gap
    assert (record.start_us, record.end_us) == (1_000_000, 3_999_000)
    assert record.covered_s == pytest.approx(2.999 - 0.201)
    assert record.charge_ah * 3600 == pytest.approx(30.0 * (2.999 - 0.201))


def test_a_long_gap_ends_the_cut():
    """Nobody knows whether it was one: two cuts, both flagged, the later without the rest before the gap."""
    block = work((1000, 6000))
    first, second = fed(block.part(0, 2000), after_gap(block.part(3000, ROWS))).cut_records
    assert (first.start_us, first.end_us, first.has_gap) == (1_000_000, 1_999_000, True)
    assert (second.start_us, second.end_us, second.has_gap) == (3_000_000, 5_999_000, True)
    assert (first.rest_voltage_v, second.rest_voltage_v) == (40.0, None)
    assert first.charge_ah * 3600 == pytest.approx(30.0 * 0.999)


def test_a_gap_in_the_quiet_behind_a_cut_is_none_in_it():
    """The work had ended before the samples were lost."""
    block = work((1000, 4000))
    (record,) = fed(block.part(0, 4100), after_gap(block.part(4150, ROWS))).cut_records
    assert not record.has_gap


def test_a_pause_and_a_restart_end_the_cut():
    """However short: the logger did not look, or began anew."""
    block = work((1000, 4000))
    paused = marked(block.part(2000, ROWS), Quality.AFTER_PAUSE)
    restarted = replace(block.part(2000, ROWS), segment=1)
    for later in (paused, restarted):
        first, second = fed(block.part(0, 2000), later).cut_records
        assert first.has_gap
        assert second.has_gap
        assert second.start_us == 2_000_000


def test_a_cut_that_begins_well_behind_a_gap_is_whole():
    """Its start was seen."""
    block = work((3000, 5000))
    (record,) = fed(block.part(0, 1000), after_gap(block.part(2000, ROWS))).cut_records
    assert not record.has_gap


def test_the_running_cut_is_told_so_far():
    """Latest is the running cut once it is one, then the last finished; the quiet behind is left out."""
    block = work((1000, 4000))
    for rows, end_us in ((1100, None), (2501, 2_500_000), (4200, 3_999_000), (8000, 3_999_000)):
        latest = fed(block.part(0, rows)).latest_cut
        assert (None if latest is None else latest.end_us) == end_us


def test_finished_cuts_never_change():
    """Prefixes of a run: what was counted and recorded stays, whatever comes later."""
    random = np.random.default_rng(5)
    current = np.repeat(random.choice([0.0, 1.0, 4.0, 30.0], 300), random.integers(20, 500, 300))
    voltage = 42.0 - 0.05 * current + random.normal(0, 0.003, len(current))
    whole, said, count = block_of(current, voltage), (), 0
    for rows in range(777, len(whole), 777):
        figures = fed(whole.part(0, rows))
        assert figures.cut_records[: len(said)] == said
        assert figures.cuts >= count
        said, count = figures.cut_records, figures.cuts
    assert len(said) > 10


def test_records_are_bounded_and_the_count_goes_on(monkeypatch):
    """After so many cuts only the latest is kept beside the first ones."""
    monkeypatch.setattr(cuts, "MOST_RECORDS", 2)
    figures = fed(work(*((start, start + 500) for start in range(1000, 11_000, 1000))))
    assert (figures.cuts, len(figures.cut_records)) == (10, 2)
    assert figures.latest_cut.start_us == 10_000_000


def test_a_divided_voltage_still_gives_sags():
    """The voltage in every 25th sample, 40 Hz: single readings stand for the 20 ms mean."""
    block = sagging()
    block.columns["voltage_v"][:] = divided(block.columns["voltage_v"], 25)
    (record,) = fed(block, divisors={"voltage_v": 25}).cut_records
    line = np.linspace(38.0, 36.0, 4000)
    assert record.minimum_voltage_v == pytest.approx(line[3975], rel=1e-6)
    assert record.steady_sag.volts == pytest.approx(5.5, abs=0.03)
