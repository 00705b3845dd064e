"""`sagline calibrate`: what the virtual rig has wrong is found, kept in the bench file, and applied."""

import json

import numpy as np
import pytest

from capture.bench import read_bench
from capture.bench_editing import BenchEditor
from capture.errors import InputError, RecordingInUse
from tui.command_line import main

RIG = "sim:polesaw?current_offset=0.3"
BENCH = """# my bench
[packs.heron]   # the good one
series = 10

[loggers.bench.channels.voltage_v]
scale = 1.01  # from last year
"""


@pytest.fixture
def calibrate(tmp_path, capsys):
    def run(*options, address=RIG):
        path = tmp_path / "bench.toml"
        status = main(["calibrate", address, "--seconds", "0.5", "--bench", str(path), *options])
        return status, capsys.readouterr(), path

    return run


def test_a_zero_is_found_and_says_nothing_of_the_scale(calibrate):
    status, told, path = calibrate("--channel", "current_a", "--zero", "--json")
    assert status == 0
    found = json.loads(told.out)
    known = read_bench(path).loggers["bench"].calibrations["current_a"]
    assert known.law.offset == pytest.approx(found["offset"])
    # 0.3 A is wrong, and the saw's electronics draw a little even at rest
    assert -0.40 < found["offset"] < -0.28
    assert known.u_scale is None
    assert 0 < known.u_offset < 0.02
    assert "of the scale nothing is known" in " ".join(told.err.split())
    assert "Local codes" in " ".join(told.err.split())


def test_known_values_measured_before_set_scale_and_offset(calibrate):
    status, _, path = calibrate(
        *("--channel", "current_a", "--read", "0=0.3@0.01", "--read", "10@0.05=10.5@0.01"),
        *("--read", "20@0.05=20.6@0.02", "--meter-gain-percent", "0.5", "--reference", "clamp meter"),
    )
    assert status == 0
    known = read_bench(path).logger("virtual pole saw, heron").calibrations["current_a"]
    assert known.law.scale == pytest.approx(0.984, abs=0.002)
    assert known.u_scale == pytest.approx(0.0055, abs=0.0005)
    assert known.reference == "clamp meter"


def test_typed_constants_of_a_tachometer(calibrate):
    options = ("--channel", "speed_rpm", "--kind", "tachometer", "--set", "pulses_per_rev=2")
    status, _, path = calibrate(*options)
    assert status == 0
    assert read_bench(path).loggers["bench"].calibrations["speed_rpm"].law.scale == 0.5


def test_what_stood_in_the_bench_file_stays(calibrate, tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH)
    assert calibrate("--channel", "current_a", "--zero")[0] == 0
    text = (tmp_path / "bench.toml").read_text()
    for line in BENCH.splitlines():
        assert line in text
    known = read_bench(tmp_path / "bench.toml")
    assert known.packs["heron"].series == 10
    assert set(known.loggers["bench"].calibrations) == {"voltage_v", "current_a"}


def test_a_new_calibration_replaces_the_old_one_whole(calibrate):
    calibrate("--channel", "current_a", "--read", "0=0", "--read", "10@0.1=11")
    calibrate("--channel", "current_a", "--zero")
    *_, path = calibrate("--channel", "current_a", "--zero")
    known = read_bench(path).loggers["bench"].calibrations["current_a"]
    assert known.law.scale == 1.0
    assert known.u_scale is None


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        ((), 2, "without a terminal give"),
        (("--channel", "amps", "--zero"), 1, "has no channel 'amps'"),
        (("--channel", "current_a", "--point", "x"), 2, "'x' is not a number"),
        (("--channel", "current_a", "--point", "1@-1"), 2, "must not be below 0"),
        (("--channel", "current_a", "--read", "1"), 2, "--read wants"),
        (("--channel", "current_a", "--zero", "--point", "5"), 2, "give the others as --read"),
        (("--channel", "current_a", "--read", "0=1", "--read", "5=1"), 1, "did not follow"),
        (("--channel", "speed_rpm", "--kind", "tachometer", "--zero"), 2, "known values set a gain"),
        (("--channel", "speed_rpm", "--kind", "tachometer", "--set", "pulses=2"), 1, "pulses is not known"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_kept(calibrate, options, status, words):
    found, told, path = calibrate(*options)
    assert found == status
    assert words in told.err
    assert not path.exists()


def test_a_channel_that_does_not_hold_still_is_refused(calibrate):
    """The saw begins its first cut three seconds after the stream."""
    status, told, path = calibrate("--channel", "current_a", "--zero", "--seconds", "5")
    assert status == 1
    assert "does not hold still" in told.err
    assert not path.exists()


def test_a_bench_file_that_changed_meanwhile_is_not_overwritten(tmp_path):
    path = tmp_path / "bench.toml"
    editor = BenchEditor(path)
    editor.put(("loggers", "bench"), {"name": "x"})
    path.write_text("# somebody else\n")
    with pytest.raises(RecordingInUse, match="was changed"):
        editor.write()
    assert path.read_text() == "# somebody else\n"


def test_what_makes_no_bench_is_not_written(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text("# mine\n")
    editor = BenchEditor(path)
    editor.put(("packs", "heron"), {"series": -1})
    with pytest.raises(InputError, match="series"):
        editor.write()
    assert path.read_text() == "# mine\n"
    assert [one.name for one in tmp_path.iterdir()] == ["bench.toml"]


def test_a_wait_returns_the_first_plateau(calibrate):
    status, told, path = calibrate("--channel", "current_a", "--zero", "--wait", "30")
    assert status == 0
    assert "noise" in told.err
    assert read_bench(path).loggers["bench"].calibrations["current_a"].u_offset > 0


def test_uncertainties_are_typed_with_a_sign_or_in_percent(calibrate):
    points = ("--read", "0+-0.01=0", "--read", "20±0.5%=19.5@0.01")
    status, _, path = calibrate("--channel", "current_a", *points)
    assert status == 0
    known = read_bench(path).loggers["bench"].calibrations["current_a"]
    assert known.u_scale == pytest.approx(0.1 / 19.5, rel=0.02)


def test_a_thermistor_by_known_temperatures(calibrate):
    options = ("--channel", "pack_temperature_degc", "--kind", "thermistor", "--reference", "ice and a meter")
    points = ("-10+-0.2=55340+-50", "0+-0.2=32541", "25+-0.2=10000", "50+-0.2=3605.8")
    given = [word for point in points for word in ("--thermistor-point", point)]
    status, _, path = calibrate(*options, *given)
    assert status == 0
    known = read_bench(path).loggers["bench"].calibrations["pack_temperature_degc"]
    ohms = np.array([55340.0, 32541.0, 10000.0, 3605.8])
    assert known.law.of(ohms) == pytest.approx([-10, 0, 25, 50], abs=0.2)
    assert 0.1 < known.u_offset < 1.0
    assert known.reference == "ice and a meter"


def test_a_weight_in_kilograms_is_a_force(calibrate):
    reads = ("--read", "0=12", "--read", "5kg+-0.005=502")
    status, _, path = calibrate("--channel", "force_n", "--kind", "load_cell", *reads)
    assert status == 0
    known = read_bench(path).loggers["bench"].calibrations["force_n"]
    assert known.law.scale == pytest.approx(5 * 9.80665 / 490)
    # the weights' own 0.1 %, and how much gravity differs over the world
    assert known.u_scale / known.law.scale == pytest.approx((0.001**2 + 0.0016**2) ** 0.5, rel=0.01)


def test_a_zero_that_keeps_the_scale(calibrate):
    calibrate("--channel", "current_a", "--read", "0=0", "--read", "10@0.1=11")
    before = read_bench(calibrate("--channel", "voltage_v", "--zero")[2]).loggers["bench"].calibrations
    *_, path = calibrate("--channel", "current_a", "--zero", "--keep-scale")
    after = read_bench(path).loggers["bench"].calibrations["current_a"]
    assert after.law.scale == before["current_a"].law.scale == pytest.approx(10 / 11)
    assert after.u_scale == pytest.approx(before["current_a"].u_scale)
    assert -0.40 < after.law.offset < -0.25


def test_a_part_of_the_rig_from_its_drop(calibrate, tmp_path):
    """The rig's offset stands for a steady current of 10 A; its gain is known to 1 % (assumed)."""
    (tmp_path / "bench.toml").write_text("[loggers.bench.rig]  # mine\nlead_awg = 10\nlead_length_m = 0.8\n")
    rig = "sim:polesaw?current_offset=10"
    status, told, path = calibrate("--drop", "fuse=0.013+-0.0001", "--reference", "meter", address=rig)
    assert status == 0
    assert "# mine" in path.read_text()
    found = read_bench(path).loggers["bench"].rig
    fuse = next(part for part in found.parts if part.name == "fuse")
    assert fuse.ohm == pytest.approx(1.3e-3, rel=0.02)
    assert fuse.u_ohm == pytest.approx(1.3e-3 * (0.01**2 + 0.0077**2) ** 0.5, rel=0.1)
    assert (found.reference, len(found.parts)) == ("meter", 2)
    assert "mΩ" in told.err


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        (("--zero",), 2, "give --channel NAME"),
        (("--channel", "current_a", "--read", "5=1", "--read", "5=2"), 1, "span nothing"),
        (("--channel", "current_a", "--read", "nan=1"), 2, "not a finite number"),
        (("--channel", "current_a", "--zero", "--wait", "-1"), 2, "--wait lies between"),
        (("--channel", "current_a", "--zero", "--keep-scale"), 1, "has no scale of current_a to keep"),
        (
            ("--channel", "voltage_v", "--kind", "divider", "--set", "r_top_ohm=-1"),
            1,
            "r_top_ohm must be above",
        ),
        (("--channel", "current_a", "--thermistor-point", "25=1e4"), 2, "belongs to --kind thermistor"),
        (("--drop", "fuse=0.1"), 1, "is not told from none"),
        (("--drop", "rope=0.1"), 2, "--drop wants PART=VOLT"),
    ],
)
def test_more_that_is_wrong_is_said_in_a_line(calibrate, options, status, words):
    found, told, path = calibrate(*options, address="sim:polesaw")
    assert found == status
    assert words in told.err
    assert not path.exists()


def test_a_clipped_reading_is_no_known_value(calibrate):
    """42 V and 50 V more are beyond the range of the virtual divider."""
    rig = "sim:polesaw?voltage_offset=50"
    status, told, path = calibrate("--channel", "voltage_v", "--point", "92", address=rig)
    assert status == 1
    assert "stands at an end of its range" in told.err
    assert "Set a smaller value" in told.err
    assert not path.exists()


@pytest.mark.parametrize(
    "options",
    [
        ("--kind", "shunt", "--set", "shunt_mohm=1e-320", "--set", "assumed_mohm=1"),
        ("--kind", "gain", "--set", "scale=1e-320", "--set", "offset=1e308"),
        ("--kind", "gain", "--read", "1e308=1e-308", "--read", "-1e308=2e-308"),
        ("--kind", "thermistor", "--set", "beta_k=1e-320", "--set", "r25_ohm=1e4"),
        ("--kind", "thermistor", "--thermistor-point", "1e300=1e300", "--thermistor-point", "2=1e-300"),
        ("--kind", "load_cell", "--read", "0=0", "--read", "1e-300=1e300", "--set", "lever_arm_m=1e-300"),
        ("--kind", "load_cell", "--read", "0=0", "--read", "1e-29=1e15", "--set", "lever_arm_m=1e-29"),
        ("--kind", "thermistor", "--thermistor-point", "1e15=1e15", "--thermistor-point", "2=1e-29"),
        ("--kind", "thermistor", "--thermistor-point", "1e15=1e-29", "--thermistor-point", "2=1e15"),
        ("--kind", "gain", "--read", "1e15+-1e15=1e-29+-1e15", "--read", "-1e15=2e-29"),
    ],
)
def test_numbers_out_of_all_reason_end_in_a_line(calibrate, options):
    """Either they make a law that the bench file takes, or one line says that they do not."""
    status, told, path = calibrate("--channel", "current_a", *options)
    assert status in {0, 1, 2}
    if status:
        assert told.err.splitlines()[-1].startswith("sagline: ")
        assert not path.exists()
    else:
        assert read_bench(path).loggers["bench"].calibrations


def test_a_write_protected_bench_file_is_not_replaced(calibrate, tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text("# mine\n")
    path.chmod(0o444)
    status, told, _ = calibrate("--channel", "current_a", "--zero")
    assert status == 1
    assert "is write-protected" in told.err
    assert path.read_text() == "# mine\n"


def test_a_link_to_the_bench_file_stays_a_link(calibrate, tmp_path):
    real = tmp_path / "real.toml"
    real.write_text("# mine\n")
    (tmp_path / "bench.toml").symlink_to(real)
    assert calibrate("--channel", "current_a", "--zero")[0] == 0
    assert (tmp_path / "bench.toml").is_symlink()
    assert "# mine" in real.read_text()
    assert "current_a" in real.read_text()


def test_a_bench_file_with_a_mistyped_key_is_said_before_anything_is_measured(calibrate, tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text("[loggers.bench.channels.current_a]\nscael = 2\n")
    status, told, _ = calibrate("--channel", "current_a", "--zero")
    assert status == 1
    assert "scael is not known there" in told.err
    assert "Current hurts" not in told.err
