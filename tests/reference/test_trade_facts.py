"""Plain facts of the trade as plausibility checks: common practice, no source."""

import json
from pathlib import Path

import numpy as np
import pytest

from capture.units import STANDARD_GRAVITY, unit_scale
from tui.command_line import main

RECORDINGS = Path(__file__).parents[2] / "recordings"


def told(capsys, *words):
    assert main([*map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_small_pack_on_a_blower(tmp_path, capsys):
    """2.0 Ah in 4 min 52 s: 24.66 A on average, 12.3 times the rating an hour, if it was full and gave it."""
    t_s = np.arange(0, 302, 0.05)
    current = np.where((t_s >= 5) & (t_s < 297), 24.66, 0.0)
    volts = 20.0 - 0.05 * current
    table = tmp_path / "blower.csv"
    rows = np.column_stack([t_s, current, volts])
    np.savetxt(table, rows, "%.4f", ",", header="t_s,current_a,voltage_v", comments="")
    recording = tmp_path / "blower.parquet"
    assert main(["import", str(table), "-o", str(recording)]) == 0
    capsys.readouterr()
    (cut,) = told(capsys, "cuts", recording)["cuts"]
    assert cut["duration_s"] == pytest.approx(4 * 60 + 52, abs=0.1)
    assert cut["charge"]["value"] == pytest.approx(2.0, rel=1e-3)
    assert cut["mean_current"]["value"] == pytest.approx(24.66, rel=1e-3)
    assert cut["mean_current"]["value"] / 2.0 == pytest.approx(12.3, abs=0.05)


def test_a_larger_pack_turns_the_same_tool_a_little_faster(capsys):
    """0.8 to 5.2 % from the smallest pack to the largest on three drills; here the saw of the examples."""
    works = told(capsys, "work", *(RECORDINGS / f"orchard-{pack}.parquet" for pack in ("wren", "albatross")))
    smallest, largest = (run["no_load_speed"]["value"] for run in works["runs"])
    assert 0.0 < largest / smallest - 1 < 0.06


def test_weights_on_the_shoe_and_torques_of_a_display():
    """A weight of 10 lb is 4.54 kg on the shoe, and pushes with 44.5 N; 1 lbf.in is 0.113 N.m."""
    pounds = unit_scale("lb")
    assert 10 * pounds.factor == pytest.approx(4.54, abs=0.005)
    assert 10 * pounds.factor * STANDARD_GRAVITY == pytest.approx(10 * unit_scale("lbf").factor, rel=1e-12)
    assert unit_scale("lbf.in").factor == pytest.approx(0.113, abs=5e-5)
