"""The commands that scripts rely on: JSON on standard output, words on standard error, exit status."""

import json
import subprocess
import sys

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

SAGLINE = [sys.executable, "-m", "tui.command_line"]


def sagline(*arguments, cwd=None):
    command = [*SAGLINE, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=90, check=False, cwd=cwd)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    folder = tmp_path_factory.mktemp("recordings")
    done = sagline(
        "demo",
        "--headless",
        "--seconds",
        10,
        "--speed",
        20,
        "--out",
        folder,
        "--pack",
        "wren",
        "--note",
        "dry ash",
        "--json",
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_demo_through_a_real_serial_port(tmp_path):
    """Pseudo-terminal and pyserial: ten seconds, no sample lost, energy within 0.2 % of the model's truth."""
    done = sagline(
        "demo", "--serial", "--headless", "--seconds", 10, "--out", tmp_path, "--json", "--speed", 4
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert (told["samples"], told["lost_samples"]) == (5000, 0)
    frame = pl.read_parquet(told["recording"])
    assert frame.columns[:4] == ["tick_us", "t_s", "current_a", "voltage_v"]
    assert {"speed_rpm", "force_n", "pack_temperature_degc", "group_10_v"} < set(frame.columns)
    assert frame.columns[-1] == "quality"
    assert len(frame) == 5000
    summary = json.loads(sagline("summary", told["recording"], "--json").stdout)
    assert summary["energy"]["value"] == pytest.approx(told["truth"]["energy"]["value"], rel=0.002)


def test_summary_json(recorded):
    """All documented keys are there; figures have value, u and unit, and agree with the columns."""
    summary = json.loads(sagline("summary", recorded["recording"], "--json").stdout)
    documented = {
        "duration_s",
        "samples",
        "lost_samples",
        "gaps",
        "charge",
        "energy",
        "peak_current",
        "peak_power",
        "rest_voltage",
        "minimum_voltage",
        "drop_from_rest",
        "cuts",
        "run_card",
        "warnings",
    }
    assert documented <= summary.keys()
    assert summary["energy"].keys() == {"value", "u", "unit"}
    told = {"kind": "timed cut", "pack": "wren", "tool": "polesaw", "note": "dry ash"}
    card = {name: value for name, value in summary["run_card"].items() if value not in {None, ""}}
    of_the_pack = {"series": 10, "cutoff_v": 28.0, "max_current_a": 45.0, "max_temperature_degc": 70.0}
    of_the_tool = {"tool_kind": "saw", "regulated": False}
    assert card == {**told, **of_the_pack, **of_the_tool}
    frame = pl.read_parquet(recorded["recording"])
    peak = frame["current_a"].max()
    assert summary["peak_current"] == {"value": peak, "u": pytest.approx(0.01 * peak, rel=0.1), "unit": "A"}
    assert summary["minimum_voltage"]["value"] == frame["voltage_v"].min()
    drawing = frame.filter(pl.col("current_a") > 3.0)["t_s"]
    starts = 1 + (drawing.diff() > 0.3).sum()
    assert summary["cuts"] == starts
    assert summary["duration_s"] == pytest.approx(9.998)


def test_summary_for_people(recorded):
    """Without --json the same figures are words with units."""
    done = sagline("summary", recorded["recording"])
    assert done.returncode == 0
    for words in ("energy, net", "Wh", "rest voltage", "drop from rest", "wren"):
        assert words in done.stdout


def test_list_and_its_filters(recorded):
    """The folder's recordings, filtered by pack, tool and date; a file that is none is told and skipped."""
    from pathlib import Path

    folder = Path(recorded["recording"]).parent
    (folder / "zz_other.parquet").write_bytes(b"PAR1")
    done = sagline("list", folder, "--json")
    (folder / "zz_other.parquet").unlink()
    (entry,) = json.loads(done.stdout)["recordings"]
    assert (entry["pack"], entry["samples"], entry["lost_samples"]) == ("wren", 5000, 0)
    assert "zz_other.parquet" in done.stderr
    for option, value, count in (("--pack", "wren", 1), ("--pack", "heron", 0), ("--date", "1999", 0)):
        assert len(json.loads(sagline("list", folder, option, value, "--json").stdout)["recordings"]) == count
    assert "wren" in sagline("list", folder).stdout


def test_headless_prints_live_figures_each_second(tmp_path):
    """Someone watching a log sees time, volts, amperes, watts, energy and samples."""
    done = sagline("demo", "--headless", "--seconds", 3, "--out", tmp_path)
    lines = [line for line in done.stderr.splitlines() if " V " in line]
    assert len(lines) >= 2
    assert all(unit in lines[0] for unit in (" s ", " A ", " W ", " Wh ", "samples"))
    assert "saved" in done.stderr
    assert done.stdout == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["record", "serial:/dev/ttyNONE9", "--headless"], "no such port"),
        (["record", "/dev/ttyNONE9", "--headless"], "Did you mean serial:/dev/ttyNONE9"),
        (["record", "sim:polesaw?pack=crow", "--headless"], "unknown pack"),
        (["summary", "nowhere.parquet"], "is not a file"),
        (["list", "nowhere"], "is not a folder"),
        (["recover", "nowhere"], "is not a folder"),
        (["demo", "--headless", "--seconds", "1", "--out", "/dev/null/x"], "cannot be made a folder"),
    ],
)
def test_faults_of_input_and_device(tmp_path, arguments, words):
    """Status 1 and one clear line on standard error; standard output stays empty; no traceback."""
    done = sagline(*arguments, cwd=tmp_path)
    assert done.returncode == 1
    assert done.stdout == ""
    (line,) = [line for line in done.stderr.splitlines() if line.startswith("sagline: ")]
    assert words in line
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ["fly"],
        ["summary"],
        ["demo", "--seconds", "-1"],
        ["demo", "--seconds", "nan"],
        ["demo", "--speed", "0"],
        ["demo", "--json"],
        ["demo", "--pack", "crow"],
        ["demo", "--seed", "0"],
        ["--out", "somewhere", "list"],
    ],
)
def test_wrong_usage(tmp_path, arguments):
    """Status 2 and words on standard error."""
    done = sagline(*arguments, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "sagline" in done.stderr
    assert "Traceback" not in done.stderr


def test_foreign_parquet(tmp_path):
    """A Parquet file of another program is told apart from a broken one, and left as it is."""
    path = tmp_path / "theirs.parquet"
    pq.write_table(pa.table({"speed": [1.0]}), path)
    done = sagline("summary", path)
    assert done.returncode == 1
    assert "another program (columns speed)" in done.stderr


def test_version_and_help():
    """The version answers at once; help names every command and the cautions."""
    assert sagline("--version").stdout.startswith("sagline ")
    text = sagline("--help").stdout
    for words in ("demo", "record", "find", "summary", "list", "recover", "batteries"):
        assert words in text


def test_without_a_command_and_a_terminal_the_help_is_printed():
    """The first screen needs a terminal; a pipe gets the help."""
    done = sagline("--out", "somewhere")
    assert done.returncode == 0
    assert "COMMAND" in done.stdout
    assert "first screen" in done.stdout


def test_nothing_to_recover(tmp_path):
    """An empty folder is no fault."""
    done = sagline("recover", tmp_path)
    assert done.returncode == 0
    assert "Nothing to recover" in done.stdout


def test_record_takes_the_run_card(tmp_path):
    """Pack, tool, kind and note stand in the recording; a hostile pack name stays in the folder."""
    done = sagline(
        "record",
        "sim:polesaw?pack=albatross",
        "--headless",
        "--seconds",
        1,
        "--out",
        tmp_path,
        "--json",
        "--pack",
        "../../x",
        "--tool",
        "polesaw",
        "--kind",
        "run-down",
        "--note",
        "first",
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told.keys() == {"recording", "samples", "lost_samples"}
    summary = json.loads(sagline("summary", told["recording"], "--json").stdout)
    given = {"kind": "run-down", "pack": "../../x", "tool": "polesaw", "note": "first"}
    assert {name: value for name, value in summary["run_card"].items() if value not in {None, ""}} == given
    assert [path.suffix for path in tmp_path.iterdir()] == [".parquet"]


def test_an_armed_recording_without_a_screen_waits_for_the_load_and_ends_behind_it(tmp_path):
    """One run: some seconds of rest, the load, the tail; then the command is done."""
    done = sagline("demo", "--headless", "--arm", "--tail", 2, "--speed", 50, "--out", tmp_path, "--json")
    assert done.returncode == 0, done.stderr
    (path,) = tmp_path.glob("*.parquet")
    assert json.loads(done.stdout)["recording"] == str(path)
    current = pl.read_parquet(path)["current_a"].to_numpy()
    assert (current[:500] < 0.5).all(), "a second of rest before the load"
    assert current.max() > 10
    assert (current[-900:] < 0.5).all(), "and the tail behind it"


def test_a_recording_can_be_given_a_name(tmp_path):
    """The name is made safe, a second run of the name gets a number, and a name of nothing is refused."""
    short = ("demo", "--headless", "--speed", 100, "--seconds", 1, "--out", tmp_path, "--name")
    for _ in range(2):
        done = sagline(*short, "../Ash Limb")
        assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["ash-limb.parquet", "ash-limb_2.parquet"]
    done = sagline(*short, "../..")
    assert done.returncode == 2
    assert "--name" in done.stderr
