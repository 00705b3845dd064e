"""An imported run says by itself where a channel stood at the end of its range."""

import numpy as np
import pytest

from capture.importing.csv_import import ImportOptions, import_csv
from capture.storage.recording import open_recording
from capture.summary import summarise

T_S = np.arange(0, 40, 0.002)
WORKS = ((T_S >= 5) & (T_S < 12)) | ((T_S >= 20) & (T_S < 30))


def imported(folder, current, voltage, decimals=2):
    table = folder / "run.csv"
    rows = np.column_stack([T_S, np.round(current, decimals), np.round(voltage, decimals + 1)])
    np.savetxt(table, rows, "%.6f", ",", header="t_s,current_a,voltage_v", comments="")
    import_csv(table, folder / "run.parquet", ImportOptions())
    return summarise(open_recording(folder / "run.parquet"))


def drawn(noise=0.1, seed=1):
    """Return a current with inrush, wander and noise, and what a pack of 50 mohm makes of it."""
    random = np.random.default_rng(seed)
    since = np.where(T_S < 20, T_S - 5, T_S - 20)
    load = 30 + 4 * np.sin(5 * T_S) + 40 * np.exp(-np.clip(since, 0, None) / 0.05)
    true = np.where(WORKS, load, 0.0)
    voltage = 20.5 - 0.05 * true + random.normal(0, 0.004, len(T_S))
    return true + random.normal(0, noise, len(T_S)), voltage


def clipped_of(summary):
    return {name: len(ranges) for name, ranges in summary.recording.document["clipped"].items() if ranges}


@pytest.mark.parametrize("end_a", [50.0, 32.5])
def test_a_current_that_runs_into_its_end_is_flagged(tmp_path, end_a):
    current, voltage = drawn()
    summary = imported(tmp_path, np.minimum(current, end_a), voltage)
    rows = np.round(current, 2) >= end_a
    assert summary.figures.accounting.clipped == rows.sum()
    assert clipped_of(summary).keys() == {"current_a"}
    assert any("clipped (current_a): peaks there are lower bounds" in line for line in summary.warnings)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], rows, [False]]))).reshape(-1, 2)
    assert [tuple(found) for found in summary.recording.document["clipped"]["current_a"]] == [
        (0, start, stop) for start, stop in edges.tolist()
    ]


def test_a_voltage_that_runs_into_its_end_is_flagged_at_its_low_one(tmp_path):
    current, voltage = drawn()
    summary = imported(tmp_path, current, np.maximum(voltage, 18.9))
    assert clipped_of(summary).keys() == {"voltage_v"}


@pytest.mark.parametrize("seed", range(4))
def test_a_run_within_its_range_is_not(tmp_path, seed):
    assert clipped_of(imported(tmp_path, *drawn(seed=seed))) == {}


def test_numbers_without_noise_are_not_taken_for_an_end(tmp_path):
    """A bench supply writes 20.00 A again and again, and nothing stood at an end."""
    current = np.where(WORKS, 20.0, 0.0)
    assert clipped_of(imported(tmp_path, current, 20.5 - 0.05 * current)) == {}


def test_coarse_steps_are_not_taken_for_an_end(tmp_path):
    current, voltage = drawn(noise=0.05)
    assert clipped_of(imported(tmp_path, current, voltage, decimals=0)) == {}


def test_a_sensor_that_reads_no_negative_current_has_no_end_at_nothing(tmp_path):
    current, voltage = drawn()
    assert clipped_of(imported(tmp_path, np.maximum(current, 0.0), voltage)) == {}
