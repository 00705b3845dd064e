"""What the pack did to the tool's work, from the example recordings and from made runs with torque."""

import json
from pathlib import Path

import numpy as np
import pytest
from simulated_pack import columns

from capture.quantities import Figure
from capture.run_card import RunCard
from capture.studies.columns import Span
from capture.studies.work_figures import WorkSpans, cut_work
from capture.uncertainty.channels import ChannelUncertainty
from tui.command_line import main

RECORDINGS = Path(__file__).parents[2] / "recordings"
KNOWN = {
    name: ChannelUncertainty(gain, 0.0)
    for name, gain in [("current_a", 0.002), ("voltage_v", 0.001), ("speed_rpm", 0.001), ("torque_nm", 0.005)]
}
ENERGY = Figure(2.0, 0.02, "Wh")


def made(*, torque=10.0, rpm=1500.0, current=100.0, stalls=False):
    t_s = np.arange(0, 6, 0.002)
    works = (t_s >= 2) & (t_s < 5)
    speed = np.where(works, 0.0 if stalls else rpm, 2000.0)
    turned = np.where(works, torque, 0.5)
    drawn = np.where(works, current, 20.0)
    return columns(t_s, drawn, np.full(len(t_s), 20.0), speed_rpm=speed, torque_nm=turned)


SPANS = WorkSpans(1, Span(0.5, 5.5), Span(0.6, 1.99), Span(2.0, 4.99), ENERGY)


def test_power_and_efficiency():
    """10 N.m at 1500 rpm are 1570.796 W (P = T 2 pi n / 60): of 2000 W 78.5 %."""
    found = cut_work(made(), SPANS, RunCard(section_mm2=1800.0), KNOWN)
    assert found.mechanical_power.value == pytest.approx(1570.796, rel=1e-3)
    assert found.efficiency.value == pytest.approx(0.7854, rel=1e-3)
    assert found.efficiency.u == pytest.approx(
        0.7854 * np.sqrt(0.005**2 + 0.001**2 + 0.002**2 + 0.001**2), rel=0.1
    )
    assert found.energy_per_mm2.value == pytest.approx(2.0 / 1800)
    assert found.cutting_rate.value == pytest.approx(1800 / 2.99)
    assert found.no_load.speed.value == pytest.approx(2000.0)
    assert found.slump.value == pytest.approx(500.0)
    assert found.slump_percent.value == pytest.approx(25.0)
    assert found.speed_per_volt.value == pytest.approx(75.0)


def test_an_efficiency_above_one_is_a_scale_error():
    found = cut_work(made(current=50.0), SPANS, RunCard(), KNOWN)
    assert found.efficiency.value > 1
    assert any("scale error" in words for words in found.says)


def test_stall_torque_is_a_plateau_and_a_short_stall_says_so():
    run = made(torque=38.5, stalls=True)
    run.columns["torque_nm"][1000:1010] = 60.0  # a knock at its beginning
    found = cut_work(run, SPANS, RunCard(), KNOWN)
    assert found.stall_torque.value == pytest.approx(38.5)
    assert not any("settle" in words for words in found.says)
    slow = columns(run.t_s, *(run.columns[name] for name in ("current_a", "voltage_v")),
                   speed_rpm=run.columns["speed_rpm"], torque_nm=run.columns["torque_nm"])  # fmt: skip
    slow.divisors["torque_nm"] = 250
    assert any("settle" in words for words in cut_work(slow, SPANS, RunCard(), KNOWN).says)


def test_what_the_channels_do_not_tell_is_none():
    t_s = np.arange(0, 6, 0.002)
    bare = columns(t_s, np.full(len(t_s), 20.0), np.full(len(t_s), 20.0))
    found = cut_work(bare, WorkSpans(1, Span(0.5, 5.5), None, None, ENERGY), RunCard(), KNOWN)
    assert found.mechanical_power is None
    assert found.working is None
    assert found.cutting_rate is None
    assert "contact or severance is not told" in found.says[0]


def test_a_pack_of_more_voltage_turns_the_same_saw_faster(capsys):
    """The saw of the examples is a motor without regulation: the terminal voltage is all of it."""
    paths = [str(RECORDINGS / f"orchard-{name}.parquet") for name in ("heron", "wren")]
    assert main(["work", *paths, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["runs"][0]["motor_line"]["resistance"]["value"] > 0
    (comparison,) = told["comparisons"]
    for name in ("no_load", "working"):
        assert comparison[name]["reason"] == "voltage"
        assert abs(comparison[name]["left"]["value"]) <= 2 * comparison[name]["left"]["u"]
    assert main(["work", *paths]) == 0
    words = capsys.readouterr().out
    assert "orchard-wren.parquet against orchard-heron.parquet" in words
    assert "the terminal voltage explains most of it" in words
