"""What a recording tells of its calibrations, in the summary and in the u of its channels."""

import json

import pytest

from capture.bench import read_bench
from capture.importing.csv_import import ImportOptions, import_csv
from capture.storage.recording import open_recording
from capture.summary import summarise
from capture.uncertainty.known import channel_uncertainties
from tui.command_line import main

BENCH = """
[loggers.bench.channels.current_a]
scale = 2.0
u_scale = 0.004
date = 2026-05-30
reference = "clamp meter"
[loggers.bench.channels.speed_hz]
kind = "tachometer"
pulses_per_rev = 2
[loggers.bench.channels.temperature_ohm]
kind = "thermistor"
beta_k = 3977
r25_ohm = 10000
"""


@pytest.fixture
def recording(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH)
    rows = "".join(f"{at / 10},{10 + at % 3},40,{at * 5},{10_000 - at}\n" for at in range(40))
    (tmp_path / "run.csv").write_text("t_s,current_a,voltage_v,speed_hz,temperature_ohm\n" + rows)
    options = ImportOptions(calibrated=read_bench(tmp_path / "bench.toml").logger(""))
    return import_csv(tmp_path / "run.csv", tmp_path / "run.parquet", options).recording


def test_the_summary_says_which_channels_were_calibrated(recording, capsys):
    told = summarise(open_recording(recording)).as_json()
    by_column = {entry["column"]: entry for entry in told["calibrations"]}
    assert list(by_column) == ["current_a", "speed_rpm", "temperature_degc"]
    assert by_column["current_a"] == {
        "column": "current_a",
        "kind": "gain",
        "scale": 2.0,
        "offset": 0.0,
        "thermistor": None,
        "constants": {},
        "u_scale": 0.004,
        "u_offset": None,
        "date": "2026-05-30",
        "reference": "clamp meter",
        "mended": [],
    }
    assert by_column["temperature_degc"]["scale"] is None
    assert by_column["temperature_degc"]["constants"] == {"beta_k": 3977, "r25_ohm": 10000}
    assert told["not_calibrated"] == ["voltage_v"]
    assert main(["summary", str(recording)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert any("current_a, gain, 2026-05-30, clamp meter" in line for line in lines)
    assert any("speed_rpm, tachometer, its uncertainty not known" in line for line in lines)
    assert sum("not calibrated  " in line for line in lines) == 1


def test_a_mended_constant_is_told_with_what_it_replaced(recording, tmp_path, capsys):
    out = tmp_path / "mended.parquet"
    options = ["--channel", "speed_rpm", "--set", "pulses_per_rev=4", "-o", str(out)]
    assert main(["recalibrate", str(recording), *options]) == 0
    capsys.readouterr()
    assert main(["summary", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (entry,) = (one for one in told["calibrations"] if one["column"] == "speed_rpm")
    (mended,) = entry["mended"]
    assert mended["from"]["pulses_per_rev"] == 2
    assert mended["to"]["pulses_per_rev"] == 4
    assert mended["of"] == "run.parquet"


@pytest.mark.parametrize(
    ("calibration", "step"),
    [
        ({"scale": 0.5, "sensitivity": 0.5, "thermistor": None}, 0.05),
        ({"scale": -0.5}, 0.05),  # a recording of before the sensitivity was kept
        ({"scale": 1.0, "sensitivity": 0.002, "thermistor": {"a": 1}}, 0.0002),
    ],
)
def test_one_count_is_told_in_the_unit_of_the_column(calibration, step):
    """A tachometer of two pulses shows half of the logger's count; a thermistor some millikelvin an ohm."""
    document = {
        "channels": [{"column": "speed_rpm", "scale": "0.1", "wire_type": "i16"}],
        "calibrations": [{"column": "speed_rpm", "offset": 0.0, **calibration}],
    }
    assert channel_uncertainties(document)["speed_rpm"].resolution == pytest.approx(step)
    document["channels"][0]["wire_type"] = "text"
    assert channel_uncertainties(document)["speed_rpm"].resolution == pytest.approx(0.1)
