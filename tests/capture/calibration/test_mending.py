"""A mistyped constant of every kind is mended in a new file: as if it had been right from the start."""

import json

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.bench import read_bench
from capture.calibration.channel import Calibration
from capture.calibration.kinds import constants_of, read_calibration
from capture.calibration.laws import Line, Thermistor
from capture.calibration.mending import NewConstants, mended
from capture.errors import InputError
from capture.importing.csv_import import ImportOptions, import_csv
from capture.recalibration import recalibrate
from capture.storage.recording import open_recording
from capture.summary import summarise
from capture.uncertainty.known import channel_uncertainties
from tui.command_line import main

#: Column, wrong constants as the bench file has them, what is mended, and readings that the logger gives.
MISTYPED = {
    "shunt": (
        "current_a",
        {"kind": "shunt", "shunt_mohm": 0.5, "assumed_mohm": 1.0, "offset": 0.02},
        {"shunt_mohm": 0.505},
        [0.0, 12.5, -3.0],
    ),
    "divider": (
        "tap_v",
        {"kind": "divider", "r_top_ohm": 100e3, "r_bottom_ohm": 10e3},
        {"r_top_ohm": 110e3},
        [0.0, 1.9, 3.3],
    ),
    "pulses": (
        "speed_hz",
        {"kind": "tachometer", "pulses_per_rev": 2},
        {"pulses_per_rev": 4},
        [0.0, 600.0, 1.5],
    ),
    "gear": (
        "speed_rpm",
        {"kind": "tachometer", "pulses_per_rev": 2, "gear_ratio": 3.0},
        {"gear_ratio": 20.0},
        [0.0, 40_000.0, 7.0],
    ),
    "lever arm": (
        "force_n",
        {"kind": "load_cell", "scale": 1.02, "tare": 3.0, "lever_arm_m": 0.2, "lever_angle_deg": 5.0},
        {"lever_arm_m": 0.25},
        [3.0, 100.0, 0.0],
    ),
    "tare": ("force_n", {"kind": "load_cell", "scale": 1.02, "tare": 3.0}, {"tare": -1.0}, [3.0, 100.0, 0.0]),
    "beta": (
        "pack_temperature_ohm",
        {"kind": "thermistor", "beta_k": 3435, "r25_ohm": 10_000},
        {"beta_k": 3977},
        [10_000.0, 32_541.4, 1070.3],
    ),
    "R25": (
        "pack_temperature_ohm",
        {"kind": "thermistor", "beta_k": 3977, "r25_ohm": 10_000},
        {"r25_ohm": 10_450},
        [10_000.0, 32_541.4, 1070.3],
    ),
    "series resistor": (
        "pack_temperature_v",
        {"kind": "thermistor", "beta_k": 3977, "r25_ohm": 10_000, "pull_up_ohm": 10_000, "supply": 3.3},
        {"pull_up_ohm": 4700},
        [1.65, 2.5, 0.6],
    ),
    "Steinhart-Hart": (
        "pack_temperature_ohm",
        {"kind": "thermistor", "steinhart_hart": [1.2e-3, 2.3e-4, 9.4e-8]},
        {"steinhart_hart": [1.1353374e-3, 2.3286099e-4, 9.464739e-8]},
        [10_000.0, 32_541.4, 1070.3],
    ),
    "beta to Steinhart-Hart": (
        "pack_temperature_ohm",
        {"kind": "thermistor", "beta_k": 3435, "r25_ohm": 10_000},
        {"steinhart_hart": [1.1353374e-3, 2.3286099e-4, 9.464739e-8]},
        [10_000.0, 32_541.4, 1070.3],
    ),
}


def written(column, table):
    """Return a bench file with the calibration of one column."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in table.items()]
    return "\n".join([f"[loggers.bench.channels.{column}]", *lines]) + "\n"


def imported(folder, name, column, table, readings):
    """Return a recording of readings of one column, beside a current, calibrated as the table says."""
    bench, source = folder / f"{name}.toml", folder / f"{name}.csv"
    bench.write_text(written(column, table))
    beside = "" if column == "current_a" else ",current_a"
    rows = [f"{at},{value!r}{beside and ',1'}" for at, value in enumerate(readings)]
    source.write_text("\n".join([f"t_s,{column}{beside}", *rows]) + "\n")
    options = ImportOptions(calibrated=read_bench(bench).logger(""))
    return import_csv(source, folder / f"{name}.parquet", options).recording


LEVER = {"kind": "load_cell", "scale": 2.0, "tare": 1.0, "lever_arm_m": 0.25}


@pytest.mark.parametrize("case", MISTYPED)
def test_a_mended_constant_reads_as_if_it_had_been_right(tmp_path, case):
    column, wrong, new, readings = MISTYPED[case]
    right = {key: value for key, value in wrong.items() if "steinhart_hart" not in new or key == "kind"} | new
    source = open_recording(imported(tmp_path, "wrong", column, wrong, readings))
    expected = open_recording(imported(tmp_path, "right", column, right, readings))
    (target,) = (one for one in expected.columns if one != "current_a" or column == "current_a")
    made = open_recording(
        recalibrate(source, NewConstants(target, constants=new), tmp_path / "mended.parquet")
    )
    found = pq.read_table(made.path).column(target).to_numpy()
    assert found == pytest.approx(pq.read_table(expected.path).column(target).to_numpy(), rel=1e-9, abs=1e-9)
    (told,) = made.document["recalibrated"]
    assert told["of"] == "wrong.parquet"
    for key, value in new.items():
        assert told["to"][key] == value
        assert key not in wrong or told["from"][key] == wrong[key]
    (entry,) = made.document["calibrations"]
    (anew,) = expected.document["calibrations"]
    for key in ("kind", "scale", "offset", "thermistor"):
        assert entry[key] == anew[key]
    assert all(entry["constants"][key] == value for key, value in anew["constants"].items())
    if not entry["thermistor"]:
        first, second = (one.document["channels"][0] for one in (made, expected))
        for key in ("scale", "range_low", "range_high"):
            assert float(first[key]) == pytest.approx(float(second[key]), rel=1e-6)


def test_there_and_back_is_the_first_file_and_the_chain_is_kept(tmp_path):
    column, wrong, new, readings = MISTYPED["beta"]
    first = open_recording(imported(tmp_path, "wrong", column, wrong, readings))
    degc = "pack_temperature_degc"
    second = open_recording(recalibrate(first, NewConstants(degc, constants=new), tmp_path / "2.parquet"))
    back = {"beta_k": wrong["beta_k"]}
    third = open_recording(recalibrate(second, NewConstants(degc, constants=back), tmp_path / "3.parquet"))
    before, after = (pq.read_table(one.path).column(degc).to_numpy() for one in (first, third))
    assert after == pytest.approx(before, abs=1e-9)
    assert [told["of"] for told in third.document["recalibrated"]] == ["wrong.parquet", "2.parquet"]
    assert [told["to"]["beta_k"] for told in third.document["recalibrated"]] == [3977, 3435]
    (entry,) = third.document["calibrations"]
    assert entry["replaces"]["constants"]["beta_k"] == 3977
    assert entry["replaces"]["replaces"]["constants"]["beta_k"] == 3435


def test_the_old_uncertainty_is_not_claimed(tmp_path):
    """What the old constants were known to says nothing of the new ones: given, or assumed, or none."""
    table = {"scale": 0.5, "u_scale": 0.001, "u_offset": 0.002, "reference": "bridge", "date": "2026-05-30"}
    source = open_recording(imported(tmp_path, "wrong", "current_a", table, [1.0, 2.0, 4.0]))
    calibrated = channel_uncertainties(source.document)["current_a"]
    assert not calibrated.assumed

    def known(name, **given):
        constants = NewConstants("current_a", 0.6, date="2026-11-29", **given)
        return open_recording(recalibrate(source, constants, tmp_path / f"{name}.parquet"))

    plain = known("plain")
    assert channel_uncertainties(plain.document)["current_a"].assumed
    (entry,) = plain.document["calibrations"]
    assert (entry["u_scale"], entry["u_offset"], entry["reference"]) == (None, None, None)
    assert entry["replaces"]["u_scale"] == 0.001
    assert entry["replaces"]["reference"] == "bridge"
    assert any("u is assumed" in warning and "current" in warning for warning in summarise(plain).warnings)
    half = channel_uncertainties(known("half", u_offset=0.003).document)["current_a"]
    assert half.offset == pytest.approx(0.003)
    assert half.gain == pytest.approx(0.01)  # as of a shunt that nobody calibrated
    both = channel_uncertainties(known("both", u_gain_percent=0.2, u_offset=0.003).document)["current_a"]
    assert (both.gain, both.assumed) == (pytest.approx(0.002), False)


def test_a_load_cell_without_its_old_uncertainty_has_none(tmp_path):
    column, wrong, new, readings = MISTYPED["lever arm"]
    source = open_recording(imported(tmp_path, "wrong", column, {**wrong, "u_scale": 0.01}, readings))
    assert "torque_nm" in channel_uncertainties(source.document)
    made = recalibrate(source, NewConstants("torque_nm", constants=new), tmp_path / "mended.parquet")
    assert "torque_nm" not in channel_uncertainties(open_recording(made).document)


def test_clipped_ranges_stay_flagged(tmp_path):
    column, wrong, new, readings = MISTYPED["shunt"]
    source = open_recording(imported(tmp_path, "wrong", column, wrong, readings))
    source.document["clipped"] = {"current_a": [[0, 1, 2]]}
    made = recalibrate(source, NewConstants("current_a", constants=new), tmp_path / "mended.parquet")
    assert open_recording(made).document["clipped"] == {"current_a": [[0, 1, 2]]}
    before, after = (pq.read_table(path).column("quality").to_pylist() for path in (source.path, made))
    assert after == before


def test_a_zeroed_thermometer_stays_zeroed(tmp_path):
    """20 degC were taken off: of the mended readings, what the mended constants make of 20 degC."""
    column, wrong, new, readings = MISTYPED["beta"]
    source = open_recording(imported(tmp_path, "wrong", column, wrong, readings))
    degc = "pack_temperature_degc"
    source.document["zeros_before"] = {degc: 20.0}
    made = open_recording(recalibrate(source, NewConstants(degc, constants=new), tmp_path / "mended.parquet"))
    old, law = Thermistor.of_beta(3435, 10_000), Thermistor.of_beta(3977, 10_000)
    given_there = old.given_at(pq.read_table(source.path).column(degc).to_numpy() + 20)
    zero = law.of(old.given_at(np.array([20.0])))[0]
    assert pq.read_table(made.path).column(degc).to_numpy() == pytest.approx(law.of(given_there) - zero)
    assert made.document["zeros_before"][degc] == pytest.approx(zero)


def test_readings_that_the_old_constants_made_nothing_of_are_counted(tmp_path):
    """A tenfold pull-up put the cold end outside of any pack: those readings cannot be had back."""
    table = {"kind": "thermistor", "beta_k": 3977, "r25_ohm": 10_000, "pull_up_ohm": 100_000}
    source = open_recording(imported(tmp_path, "wrong", "pack_temperature_percent", table, [0.5, 0.9, 0.985]))
    told = []
    made = recalibrate(
        source,
        NewConstants("pack_temperature_degc", constants={"pull_up_ohm": 10_000}),
        tmp_path / "mended.parquet",
        tell=told.append,
    )
    assert pq.read_table(made).column("pack_temperature_degc").to_pylist()[2] is None
    assert len(told) == 1
    assert told[0].startswith("1 readings of pack_temperature_degc were missing and stay so")


@pytest.mark.parametrize(
    ("case", "constants", "words"),
    [
        (
            "lever arm",
            {"pulses_per_rev": 2},
            "no constant 'pulses_per_rev'; as a load_cell it has: scale = 1.0",
        ),
        ("lever arm", {"lever_arm_m": -1.0}, "lever_arm_m must be above 0"),
        ("lever arm", {"lever_angle_deg": 90.0}, "does not lie between -90 and 90"),
        ("tare", {"lever_arm_m": 0.25}, "is no torque"),
        ("beta", {"beta_k": 0.0}, "beta_k must be above 0"),
        ("beta", {"pull_up_ohm": 1e4}, "this channel is in ohm"),
        ("beta", {"steinhart_hart": [1e-3, 0.0, 0.0]}, "has no slope"),
        ("shunt", {"shunt_mohm": 0.0}, "shunt_mohm must be above 0"),
    ],
)
def test_what_cannot_be_mended_is_said_and_nothing_is_written(tmp_path, case, constants, words):
    column, wrong, _, readings = MISTYPED[case]
    source = open_recording(imported(tmp_path, "wrong", column, wrong, readings))
    (target,) = (one for one in source.columns if one != "current_a" or column == "current_a")
    with pytest.raises(InputError, match=words):
        recalibrate(source, NewConstants(target, constants=constants), tmp_path / "mended.parquet")
    assert not list(tmp_path.glob("mended*"))


def test_a_thermistor_has_no_scale(tmp_path):
    column, wrong, _, readings = MISTYPED["beta"]
    source = open_recording(imported(tmp_path, "wrong", column, wrong, readings))
    with pytest.raises(InputError, match="its constants are beta_k, r25_ohm"):
        recalibrate(source, NewConstants("pack_temperature_degc", 2.0), tmp_path / "mended.parquet")


def test_scale_and_offset_in_place_of_other_constants_make_a_gain():
    """The line that is given holds; what the lever arm was no longer counts."""
    before = read_calibration(
        "force_n", {"kind": "load_cell", "scale": 2.0, "tare": 1.0, "lever_arm_m": 0.25}
    )
    found = mended(before, NewConstants("torque_nm", 0.6))
    assert (found.old, found.new) == ({"scale": 0.5, "offset": -0.5}, {"scale": 0.6, "offset": -0.5})
    assert found.after.kind == "gain"
    assert not found.after.constants


def test_a_recording_from_before_the_scale_of_a_load_cell_was_kept():
    """There only the whole line is told, the lever arm in it."""
    entry = read_calibration("force_n", LEVER)
    old = {**entry.as_json(), "constants": {"tare": 1.0, "lever_arm_m": 0.25}}
    del old["sensitivity"]
    found = constants_of(Calibration.from_json(old))
    assert found == {"scale": pytest.approx(2.0), "tare": 1.0, "lever_arm_m": 0.25}


@given(
    a=st.floats(5e-4, 2e-3),
    b=st.floats(1e-4, 4e-4),
    c=st.one_of(st.just(0.0), st.floats(-5e-8, 5e-7)),
    pull_up=st.one_of(st.none(), st.floats(100.0, 1e6)),
    degc=st.floats(-50.0, 190.0),
)
def test_the_law_of_a_thermistor_undone(a, b, c, pull_up, degc):
    law = Thermistor(a, b, c, pull_up, 1.0 if pull_up is None else 3.3)
    given_there = law.given_at(np.array([degc]))
    back = law.of(given_there)[0]
    if not np.isnan(back):  # a divider near either end says nothing
        assert back == pytest.approx(degc, abs=1e-6)
    highest = np.inf if c >= 0 else 2 / 3 * b * (b / (-3 * c)) ** 0.5  # there the law turns back
    reached = 1 / (degc + 273.15) - a < highest * (1 - 1e-9)
    assert pull_up is not None or not np.isnan(back) or not reached


@given(st.floats(0.01, 100.0), st.floats(-5.0, 5.0), st.floats(-1e3, 1e3))
def test_a_line_undone(scale, offset, given_value):
    law = Line(scale, offset)
    assert law.given_at(law.of(np.array([given_value])))[0] == pytest.approx(given_value, rel=1e-9, abs=1e-7)


def test_the_command_mends_by_name_and_says_what_counts_now(tmp_path, capsys):
    column, wrong, _, readings = MISTYPED["lever arm"]
    source = imported(tmp_path, "wrong", column, {**wrong, "u_scale": 0.01, "u_offset": 0.1}, readings)
    kept = source.read_bytes()
    out = tmp_path / "mended.parquet"
    options = ["--channel", "torque_nm", "--set", "lever_arm_m=0.25", "-o", str(out), "--json"]
    assert main(["recalibrate", str(source), *options]) == 0
    told = capsys.readouterr()
    assert json.loads(told.out) == {"recording": str(out)}
    assert "torque_nm has no uncertainty now" in told.err
    assert source.read_bytes() == kept
    assert main(["recalibrate", str(source), *options]) == 1
    assert "is there already" in capsys.readouterr().err
    assert main(["summary", str(out)]) == 0
    assert "mended from" in capsys.readouterr().out
    capsys.readouterr()
    assert main(["recalibrate", str(out), "--channel", "torque_nm", "--set", "arm=1"]) == 1
    told = capsys.readouterr().err
    assert "lever_arm_m = 0.25" in told
    assert told.count("\n") == 1


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "give --scale, --offset, or both; or --set"),
        (("--scale", "2", "--set", "scale=2"), "one or the other"),
        (("--set", "scale"), "--set wants NAME=NUMBER"),
        (("--set", "scale=2", "--set", "scale=3"), "gives scale twice"),
        (("--set", "scale=two"), "'two' is not a number"),
        (("--set", "scale=nan"), "not a finite number"),
        (("--set", "scale=2+-0.1"), "an uncertainty is given with"),
        (("--scale", "nan"), "--scale must be a number"),
        (("--scale", "1e300"), "--scale must be a number that a channel can have"),
        (("--scale", "2", "--u-offset", "inf"), "--u-offset must be a number"),
        (("--rig", "fuse_mohm=1"), "give it without --channel"),
        (("--scale", "2", "--u-scale", "1", "--u-gain-percent", "1"), "say the same"),
    ],
)
def test_options_that_make_no_sense(tmp_path, capsys, options, words):
    source = imported(tmp_path, "wrong", "current_a", {"scale": 0.5}, [1.0, 2.0, 4.0])
    assert main(["recalibrate", str(source), "--channel", "current_a", *options]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert told.count("\n") == 1
    assert not list(tmp_path.glob("*_recalibrated*"))


def test_a_mistyped_length_of_the_leads_is_mended(tmp_path, capsys):
    """Twice the length, twice the resistance; not one sample changes, and the energy at the tool does."""
    (tmp_path / "bench.toml").write_text("[loggers.bench.rig]\nlead_awg = 12\nlead_length_m = 0.5\n")
    rows = "".join(f"{at / 10},40,20\n" for at in range(101))
    (tmp_path / "run.csv").write_text("t_s,current_a,voltage_v\n" + rows)
    options = ImportOptions(calibrated=read_bench(tmp_path / "bench.toml").logger(""))
    source = import_csv(tmp_path / "run.csv", tmp_path / "run.parquet", options).recording
    out = tmp_path / "mended.parquet"
    assert main(["recalibrate", str(source), "--rig", "lead_length_m=1.0", "-o", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"recording": str(out)}
    assert pq.read_table(out).equals(pq.read_table(source))
    before, after = (summarise(open_recording(path)).as_json() for path in (source, out))
    assert after["rig_resistance"]["value"] == pytest.approx(2 * before["rig_resistance"]["value"])
    assert after["rig_drop_at_peak"]["value"] == pytest.approx(40 * 2 * 5.211e-3, rel=1e-3)
    (told,) = after["recalibrated"]
    assert (told["from"]["lead_length_m"], told["to"]["lead_length_m"]) == (0.5, 1.0)
    assert main(["summary", str(out)]) == 0
    assert "mended from lead_length_m=0.5 to lead_length_m=1" in capsys.readouterr().out
    assert (
        main(["recalibrate", str(source), "--rig", "lead_length=1.0", "-o", str(tmp_path / "x.parquet")]) == 1
    )
    assert "lead_length is not known there" in capsys.readouterr().err
    assert main(["recalibrate", str(source), "--scale", "1"]) == 2
    assert "give --channel NAME, or --rig" in capsys.readouterr().err
