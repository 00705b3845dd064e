"""All that a recording tells of its pack's resistance, as the command line prints it."""

import json
from pathlib import Path

import pytest
from random_packs import random_run

from capture.importing.csv_import import ImportOptions, import_csv
from capture.resistance import resistance
from capture.run_card import RunCard
from capture.storage.recording import open_recording
from tui.command_line import main

RECORDINGS = Path(__file__).parents[2] / "recordings"


@pytest.fixture(scope="module")
def wren():
    return resistance(open_recording(RECORDINGS / "orchard-wren.parquet"))


def test_the_json_that_scripts_rely_on(wren):
    told = json.loads(json.dumps(wren.as_json(), allow_nan=False))
    assert {"steps", "pulse", "two_step", "ohmic", "circuit"} <= told.keys()
    assert told["pulse"].keys() == {"0.1", "1", "10"}
    for step in told["steps"]:
        assert {"t_s", "from_a", "to_a", "r"} <= step.keys()
        assert step["r"].keys() == {"0.1", "1", "10"}
    assert told["circuit"]["r0"]["unit"] == "Ohm"
    assert all(branch.keys() >= {"r", "tau"} for branch in told["circuit"]["branches"])
    assert told["two_step"] is None


def test_longer_pulses_read_more(wren):
    ohmic, pulse = wren.pulses.ohmic.value, [figure.value for figure in wren.pulses.pulse if figure]
    assert sorted([ohmic, *pulse]) == [ohmic, *pulse]
    assert all(0 < figure.u < figure.value for figure in wren.pulses.pulse if figure)


def test_the_command_in_words_and_in_json(capsys):
    path = str(RECORDINGS / "orchard-heron.parquet")
    assert main(["resistance", path]) == 0
    words = capsys.readouterr().out
    assert "1 s after a step" in words
    assert "expanded uncertainty" in words
    assert main(["resistance", path, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["pulse"]["1"]["value"] > 0


def test_what_was_left_out_or_corrected_is_said(tmp_path, capsys):
    """A logger that reads the voltage half an interval late, and a shunt whose range the inrush leaves."""
    run = random_run(6, duty="cuts", skew=-0.5, clip=True, rate_hz=200.0).columns
    rows = zip(run.t_s, run.columns["current_a"], run.columns["voltage_v"], strict=True)
    source = tmp_path / "run.csv"
    lines = [f"{t_s:.4f},{current:.3f},{voltage:.5f}" for t_s, current, voltage in rows]
    source.write_text("\n".join(["Time(s),Current(A),Voltage(V)", *lines]) + "\n")
    recording = import_csv(source, tmp_path / "run.parquet", ImportOptions(card=RunCard())).recording
    assert main(["resistance", str(recording), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    left_out, corrected = told["notes"]
    assert "current_a" in left_out
    assert "earlier" in corrected
    through = [step for step in told["steps"] if step["left_out"]["10"] is not None]
    assert through
    assert all(step["r"]["10"] is None for step in through)
    assert told["pulse_over_ah"][0] < told["pulse_over_ah"][1]
    assert main(["resistance", str(recording)]) == 0
    words = capsys.readouterr().out
    assert f"! {left_out}" in words
    assert "Ah drawn)" in words
