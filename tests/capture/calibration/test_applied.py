"""Calibrations of the bench file reach every reading once, the document, and every uncertainty."""

import json

import pyarrow.parquet as pq
import pytest
from waiting import wait_for

from capture.bench import Bench, read_bench
from capture.engine.live_run import Settings
from capture.engine.session import Session
from capture.engine.snapshot import RecordingState
from capture.errors import InputError
from capture.importing.csv_import import ImportOptions, import_csv
from capture.links.address import parse_address
from capture.links.virtual import VirtualLink, virtual_rig
from capture.recalibration import NewConstants, recalibrate
from capture.run_card import RunCard
from capture.storage.recording import open_recording
from capture.summary import summarise
from tui.command_line import main

BENCH = """
[loggers.bench]
name = "virtual pole saw, heron"
[loggers.bench.channels.current_a]
scale = 0.98
offset = 0.1
u_scale = 0.003
u_offset = 0.02
date = 2026-05-30
reference = "clamp meter"
[loggers.bench.rig]
shunt_mohm = 0.5
lead_mm2 = 6
lead_length_m = 0.8
fuse_mohm = 1.2
"""


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(BENCH)
    return path


def demo(folder, bench=None):
    """Return the recording of half a minute of the virtual saw, with the calibrations of a bench file."""
    known = Bench() if bench is None else read_bench(bench)
    link = VirtualLink("sim:polesaw", virtual_rig(parse_address("sim:polesaw")), 200.0)
    session = Session(
        link,
        Settings(
            folder,
            RunCard(),
            record_at_once=True,
            seconds=30.0,
            bench=known,
            logger=None if bench is None else "bench",
        ),
    )
    session.open()
    wait_for(session, lambda snapshot: snapshot.recording.state is RecordingState.SAVED)
    session.close()
    return next(folder.glob("*.parquet"))


def imported(tmp_path, bench, text):
    source = tmp_path / "theirs.csv"
    source.write_text(text)
    options = ImportOptions(calibrated=read_bench(bench).logger(""))
    return open_recording(import_csv(source, tmp_path / "ours.parquet", options).recording)


def test_a_live_run_is_calibrated_once_and_says_so(tmp_path, bench):
    plain, calibrated = demo(tmp_path / "plain"), demo(tmp_path / "calibrated", bench)
    before = pq.read_table(plain).column("current_a").to_numpy()
    after = pq.read_table(calibrated).column("current_a").to_numpy()
    assert after == pytest.approx(0.98 * before + 0.1, abs=1e-4)
    document = open_recording(calibrated).document
    (entry,) = document["calibrations"]
    assert (entry["column"], entry["scale"], entry["offset"]) == ("current_a", 0.98, 0.1)
    assert (entry["u_scale"], entry["date"], entry["reference"]) == (0.003, "2026-05-30", "clamp meter")
    summary = summarise(open_recording(calibrated))
    assert summary.stated.charge.u < summarise(open_recording(plain)).stated.charge.u
    assert not any("logger: current" in warning for warning in summary.warnings)


def test_the_rig_takes_what_the_current_squared_says(tmp_path, bench):
    path = demo(tmp_path / "recordings", bench)
    told = summarise(open_recording(path)).as_json()
    taken = told["energy_at_pack"]["value"] - told["energy_at_tool"]["value"]
    assert told["energy_at_pack"] == told["energy"]
    assert taken == pytest.approx(told["energy_in_rig"]["value"])
    current = pq.read_table(path).column("current_a").to_numpy()
    ohm = 0.5e-3 + 1.2e-3 + 1.6 / 58 / 6
    assert told["rig_resistance"]["value"] == pytest.approx(ohm)
    assert taken == pytest.approx(ohm * (current**2).mean() * len(current) * 0.002 / 3600, rel=0.01)


def test_an_import_is_calibrated_by_the_only_logger_of_the_bench(tmp_path):
    bench = tmp_path / "bench.toml"
    bench.write_text("[loggers.bench.channels.current_a]\nu_gain_percent = 0.4\n")
    source = tmp_path / "theirs.csv"
    source.write_text("t_s,current_a,voltage_v\n" + "".join(f"{at / 10},36,10\n" for at in range(101)))
    made = import_csv(
        source, tmp_path / "ours.parquet", ImportOptions(calibrated=read_bench(bench).logger(""))
    )
    summary = summarise(open_recording(made.recording))
    assert summary.stated.charge.value == pytest.approx(0.1)
    assert summary.stated.charge.u == pytest.approx(0.1 * 0.004, rel=0.1)


def test_a_thermistor_makes_degrees_of_ohms(tmp_path):
    bench = tmp_path / "bench.toml"
    bench.write_text(
        '[loggers.bench.channels.pack_temperature_ohm]\nkind = "thermistor"\nbeta_k = 3977\nr25_ohm = 10000\n'
    )
    source = tmp_path / "theirs.csv"
    source.write_text("t_s,current_a,pack_temperature_ohm\n0,1,10000\n1,1,5330.5\n2,1,0\n")
    made = import_csv(
        source, tmp_path / "ours.parquet", ImportOptions(calibrated=read_bench(bench).logger(""))
    )
    column = pq.read_table(made.recording).column("pack_temperature_degc").to_pylist()
    assert column == [pytest.approx(25.0), pytest.approx(39.76, abs=0.01), None]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("scale = 0", "loggers.bench.channels.current_a.scale is 0"),
        ("u_scael = 0.1", "u_scael is not known there"),
        ('kind = "magic"', "kind 'magic' is none of"),
        ("u_scale = -1", "u_scale must not be below 0"),
        ("u_scale = 0.1\nu_gain_percent = 1", "say the same"),
        ('kind = "shunt"\nshunt_mohm = 0.5', "assumed_mohm is missing"),
        ('kind = "thermistor"\nbeta_k = 3950', "r25_ohm is missing"),
        ('kind = "thermistor"\nsteinhart_hart = [1, 2]', "no list of three numbers"),
        ('scale = "one"', "scale is no number"),
        ("correlation = 2", "correlation does not lie"),
    ],
)
def test_a_mistyped_calibration_is_refused_in_a_line(tmp_path, lines, words):
    path = tmp_path / "bench.toml"
    path.write_text(f"[loggers.bench.channels.current_a]\n{lines}\n")
    with pytest.raises(InputError) as caught:
        read_bench(path)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("lead_length_m = 1", "needs lead_awg or lead_mm2"),
        ("lead_length_m = 1\nlead_awg = 10\nlead_mm2 = 4", "and not both"),
        ('voltage_sensed_at = "middle"', "neither"),
        ("shunt = 1", "shunt is not known"),
    ],
)
def test_a_mistyped_rig_is_refused_in_a_line(tmp_path, lines, words):
    path = tmp_path / "bench.toml"
    path.write_text(f"[loggers.bench.rig]\n{lines}\n")
    with pytest.raises(InputError, match=words):
        read_bench(path)


def test_a_logger_that_is_not_in_the_bench(tmp_path, bench, capsys):
    assert main(["record", "sim:polesaw", "--headless", "--bench", str(bench), "--logger", "other"]) == 1
    assert "does not tell of the logger 'other'" in capsys.readouterr().err
    del tmp_path


def test_recalibrating_replaces_the_constants_in_a_new_file(tmp_path, bench, capsys):
    path = demo(tmp_path / "recordings", bench)
    kept = path.read_bytes()
    capsys.readouterr()
    out = tmp_path / "mended.parquet"
    options = ["--channel", "current_a", "--scale", "1.0", "--offset", "0", "-o", str(out), "--json"]
    assert main(["recalibrate", str(path), *options]) == 0
    assert json.loads(capsys.readouterr().out) == {"recording": str(out)}
    assert path.read_bytes() == kept
    plain = pq.read_table(demo(tmp_path / "plain")).column("current_a").to_numpy()
    assert pq.read_table(out).column("current_a").to_numpy() == pytest.approx(plain, abs=1e-4)
    (mended,) = open_recording(out).document["recalibrated"]
    assert mended == {
        "column": "current_a",
        "from": {"scale": 0.98, "offset": 0.1},
        "to": {"scale": 1.0, "offset": 0.0},
        "of": path.name,
    }
    assert main(["recalibrate", str(path), *options]) == 1
    assert "is there already" in capsys.readouterr().err


def test_what_cannot_be_recalibrated_is_said(tmp_path, bench):
    recording = open_recording(demo(tmp_path / "recordings", bench))
    with pytest.raises(InputError, match="has no channel 'current'"):
        recalibrate(recording, NewConstants("current", 1.0), tmp_path / "out.parquet")
    with pytest.raises(InputError, match="scale of 0"):
        recalibrate(recording, NewConstants("current_a", 0.0), tmp_path / "out.parquet")
    assert not list(tmp_path.glob("out*"))


def test_a_zeroed_channel_stays_zeroed(tmp_path):
    """Readings that a zero was taken from are multiplied; the offset is the zero's matter."""
    recording = open_recording(demo(tmp_path / "recordings"))
    recording.document["zeros_before"] = {"current_a": 0.25}
    made = recalibrate(recording, NewConstants("current_a", 2.0, 5.0), tmp_path / "out.parquet")
    before = pq.read_table(recording.path).column("current_a").to_numpy()
    assert pq.read_table(made).column("current_a").to_numpy() == pytest.approx(2 * before, abs=1e-4)
    assert open_recording(made).document["zeros_before"] == {"current_a": 0.5}
