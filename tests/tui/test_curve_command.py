"""`sagline curve`: lines that the bench file reads again, and one clear line where there is no curve."""

import json
import tomllib

import numpy as np
import pytest

from capture.bench import read_bench
from tui.command_line import main

BENCH = """
[packs.wren]
series = 10
capacity_ah = 2.5
chemistry = "nmc"
"""


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Return two minutes of the virtual saw on a pack called wren, and another on one called heron."""
    folder = tmp_path_factory.mktemp("recordings")
    found = []
    for pack in ("wren", "heron"):
        options = ["--headless", "--seconds", "120", "--speed", "400", "--out", str(folder / pack)]
        assert main(["demo", *options, "--pack", pack]) == 0
        found.append(next((folder / pack).glob("*.parquet")))
    return found


@pytest.fixture
def bench_file(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(BENCH)
    return path


def run(capsys, *arguments):
    capsys.readouterr()
    status = main(["curve", *[str(argument) for argument in arguments]])
    told = capsys.readouterr()
    return status, told.out, told.err


def test_the_lines_are_read_again(recorded, bench_file, capsys):
    """What is printed goes below the pack's lines, and the bench file then has the same curve."""
    status, out, err = run(capsys, recorded[0], "--bench", bench_file)
    assert status == 0
    assert "of charge" in err
    assert "open_circuit" in tomllib.loads(out)["packs"]["wren"]
    bench_file.write_text(BENCH + out)
    curve = read_bench(bench_file).packs["wren"].open_circuit
    status, out, _ = run(capsys, recorded[0], "--bench", bench_file, "--json")
    document = json.loads(out)
    assert status == 0
    assert document["pack"] == "wren"
    assert curve.learnt
    assert curve.source == document["source"]
    np.testing.assert_allclose(curve.group_v, document["volts"], rtol=1e-4)
    (shown,) = document["runs"]
    assert 0 <= shown["to"] < shown["from"] <= 1.01
    assert document["left_out"] == []


def test_one_clear_line_where_there_is_no_curve(recorded, bench_file, tmp_path, capsys):
    empty = tmp_path / "empty.toml"
    empty.write_text("")
    status, out, err = run(capsys, recorded[0], "--bench", empty)
    assert (status, out) == (1, "")
    assert "series, capacity_ah and chemistry" in err
    status, out, err = run(capsys, *recorded, "--bench", bench_file)
    assert (status, out) == (1, "")
    assert "2 packs (heron, wren)" in err
    assert len(err.strip().splitlines()) == 1
