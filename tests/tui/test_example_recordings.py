"""The example recordings: there, small, readable, and made again by the commands beside them."""

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from capture.cut_figures import cut_document, numbered_cuts
from capture.storage.recording import open_recording
from capture.summary import summarise

FOLDER = Path(__file__).parents[2] / "recordings"
COMMANDS = re.findall(r"^sagline (.*)$", (FOLDER / "README.md").read_text(), re.MULTILINE)
EXAMPLES = sorted(FOLDER.glob("orchard-*.parquet"))


def test_there_are_three_and_each_is_small():
    assert [path.stem for path in EXAMPLES] == ["orchard-albatross", "orchard-heron", "orchard-wren"]
    assert all(path.stat().st_size < 1_000_000 for path in EXAMPLES)


@pytest.fixture(scope="module")
def made_again(tmp_path_factory):
    """A folder in which the commands of the README were run as they stand there."""
    folder = tmp_path_factory.mktemp("orchard")
    for command in COMMANDS:
        words = shlex.split(command)
        subprocess.run(
            [sys.executable, "-m", "tui.command_line", *words], cwd=folder, check=True, timeout=120
        )
    return folder / "recordings"


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_commands_of_the_readme_make_them_again(made_again, path):
    """Another machine's arithmetic may round otherwise, so figures are compared and not bits."""
    kept, again = (summarise(open_recording(folder / path.name)) for folder in (FOLDER, made_again))
    assert again.figures.samples == kept.figures.samples
    assert again.figures.cuts == kept.figures.cuts
    for name in ("energy", "charge", "peak_current", "rest_voltage", "minimum_voltage"):
        assert getattr(again.figures, name).value == pytest.approx(
            getattr(kept.figures, name).value, rel=1e-3
        )
    assert again.card == kept.card
    assert kept.recording.document["lost_samples"] == 0


def test_what_the_readme_says_of_them_holds():
    wren, albatross, heron = (
        summarise(open_recording(FOLDER / f"orchard-{pack}.parquet"))
        for pack in ("wren", "albatross", "heron")
    )
    assert wren.figures.cuts == albatross.figures.cuts == 12
    first, last = (one.figures.cut_records for one in (wren, albatross))
    for small, large in zip(first[:11], last[:11], strict=True):  # the twelfth of wren is cut off
        assert small.peak_sag.volts > large.peak_sag.volts
        assert small.mean_speed_rpm < large.mean_speed_rpm
        assert small.duration_s > large.duration_s
    assert heron.card.outcome == "tripped"
    assert heron.figures.lowest_group.voltage.value < 2.8
    json.dumps(heron.as_json(), allow_nan=False)


#: The noise of the virtual rig's sensors (`capture/model/sensors.py`), in their unit, without the steps.
RIG_NOISE = {"current_a": 0.04, "voltage_v": 0.003, "pack_temperature_degc": 0.03, "group_3_v": 0.001}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_noise_that_a_run_shows_is_that_of_its_sensors(path):
    """Steps add a twelfth of their square."""
    known = summarise(open_recording(path)).known.channels
    for column, noise in RIG_NOISE.items():
        step = known[column].resolution
        assert known[column].noise == pytest.approx((noise**2 + step**2 / 12) ** 0.5, rel=0.15), column


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_figure_has_its_uncertainty_and_cautions_stay_sensible(path):
    """Only the force has none: nobody calibrated the load cell. Heron was not full, which is its story."""
    summary = summarise(open_recording(path))
    told = summary.as_json()
    figures = {name: figure for name, figure in told.items() if isinstance(figure, dict) and "u" in figure}
    assert len(figures) >= 14
    assert all(figure["u"] > 0 for figure in figures.values())
    for cut in numbered_cuts(summary.figures):
        document = cut_document(cut, summary.figures.first_tick_us, summary.known)
        without = {name for name, one in document.items() if isinstance(one, dict) and one["u"] is None}
        assert without == {"mean_force"}
    unassumed = [line for line in summary.warnings if "assumed" not in line]
    expected = ["the pack was not full"] if path.stem == "orchard-heron" else []
    assert [line.split(":")[0] for line in unassumed] == expected
