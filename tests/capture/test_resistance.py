"""All that a recording tells of its pack's resistance, as the command line prints it."""

import json
from pathlib import Path

import pytest

from capture.resistance import resistance
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
