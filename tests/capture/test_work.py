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


def test_an_impact_tools_torque_is_not_reported():
    found = cut_work(made(), SPANS, RunCard(tool_kind="impact"), KNOWN)
    assert (found.mechanical_power, found.efficiency, found.stall_torque) == (None, None, None)
    assert any("blows" in words for words in found.says)
    assert found.working is not None


def test_a_free_run_has_a_no_load_speed_and_no_work():
    run = made()
    whole = WorkSpans(1, Span(2.0, 4.99), Span(2.0, 4.99), None, ENERGY, only_free=True)
    found = cut_work(run, whole, RunCard(kind="free run"), KNOWN)
    assert found.no_load.speed.value == pytest.approx(1500.0)
    assert found.working is None
    assert found.says == ()


def test_a_speed_that_still_rises_is_no_no_load_speed():
    run = made()
    run.columns["speed_rpm"][:] = 500 * run.t_s
    found = cut_work(run, SPANS, RunCard(), KNOWN)
    assert found.no_load is None
    assert any("still changing" in words for words in found.says)


@pytest.fixture(scope="module")
def pressed(tmp_path_factory):
    """Three presses of 4 s: pressure rises to 60 MPa with 1.2 s, in bar; imported, with typed readings."""
    folder = tmp_path_factory.mktemp("press")
    random = np.random.default_rng(3)
    t_s = np.arange(0, 30, 0.002)
    current, bar = np.full(len(t_s), 0.05), np.zeros(len(t_s))
    for start_s in (3.0, 11.0, 19.0):
        since = t_s - start_s
        on = (since >= 0) & (since < 4)
        current[on] = 8 + 20 * (1 - np.exp(-since[on] / 1.2))
        bar[on] = 600 * (1 - np.exp(-since[on] / 1.2))
    volts = 20.5 - 0.05 * current + random.normal(0, 0.004, len(t_s))
    rows = np.column_stack([t_s, current + random.normal(0, 0.1, len(t_s)), volts, bar])
    header = "t_s,current_a,voltage_v,pressure (bar)"
    np.savetxt(folder / "press.csv", rows, "%.4f", ",", header=header, comments="")
    (folder / "bench.toml").write_text('[tools.ram]\nkind = "press"\npiston_area_mm2 = 491\n')
    recording = folder / "press.parquet"
    bench = ["--bench", str(folder / "bench.toml"), "--tool", "ram", "--kind", "press"]
    assert main(["import", str(folder / "press.csv"), *bench, "-o", str(recording)]) == 0
    readings = ["--reading", "gauge=580 bar /5", "--reading", "gauge=57.5 MPa", "--reading", "crimps=3 1"]
    assert main(["amend", str(recording), "--force-threshold", "20000", *readings]) == 0
    return recording


def test_a_press_run_from_pressure_and_piston(pressed, capsys):
    assert main(["work", str(pressed), "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["runs"]
    assert len(told["cuts"]) == 3
    for cut in told["cuts"]:
        assert cut["force_at_end"]["value"] == pytest.approx(29_460 * (1 - np.exp(-4 / 1.2)), rel=2e-3)
        assert cut["force_at_end"]["u"] is None  # nobody calibrated the pressure
        assert cut["time_to_threshold"]["value"] == pytest.approx(
            -1.2 * np.log(1 - 20_000 / 29_460), abs=0.02
        )
    by_name = {reading["quantity"]: reading["figure"] for reading in told["readings"]}
    assert by_name["gauge"]["value"] == pytest.approx(577.5)
    assert by_name["force by gauge"]["value"] == pytest.approx(577.5e5 * 491e-6)
    assert by_name["crimps"] == {"value": 3.0, "u": None, "unit": "1"}
    assert main(["work", str(pressed)]) == 0
    words = capsys.readouterr().out
    assert "force at the end 284" in words
    assert "typed crimps 3, read once" in words
    assert "typed gauge 577.5 ± " in words


@pytest.mark.parametrize("kind", ["stall", "Sag test", "repeated fastening", "press"])
def test_where_nothing_is_cut_through_no_severance_is_missed(kind):
    bare = WorkSpans(1, Span(0.5, 5.5), None, None, ENERGY)
    assert cut_work(made(), bare, RunCard(kind=kind), KNOWN).says == ()
    assert cut_work(made(), bare, RunCard(kind="timed cut"), KNOWN).says != ()
