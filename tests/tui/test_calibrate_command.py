"""`sagline calibrate`: what the virtual rig has wrong is found, kept in the bench file, and applied."""

import json

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
    assert "of the scale nothing is known" in told.err
    assert "Local codes" in told.err


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
