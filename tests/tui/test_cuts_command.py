"""`sagline cuts` and `sagline amend`: JSON that adds up with the summary, and amendments without a screen."""

import json
from pathlib import Path

import pytest

from capture.storage.naming import amendments_of
from tui.command_line import main

FIGURES = (
    "energy",
    "charge",
    "mean_power",
    "peak_current",
    "rest_voltage",
    "minimum_voltage",
    "peak_sag",
    "steady_sag",
    "mean_speed",
    "peak_sag_percent",
    "steady_sag_percent",
    "peak_sag_per_ampere",
    "steady_sag_per_ampere",
)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Return a minute of the virtual saw, which cuts more than once and is stopped in mid-cut or at rest."""
    folder = tmp_path_factory.mktemp("recordings")
    options = ["--headless", "--seconds", "40", "--speed", "400", "--out", str(folder)]
    assert main(["demo", *options]) == 0
    return next(folder.glob("*.parquet"))


@pytest.fixture
def sagline(capsys):
    """Return status, output and errors of a command."""

    def run(*arguments):
        capsys.readouterr()
        try:
            status = main([str(argument) for argument in arguments])
        except SystemExit as left:
            status = left.code
        told = capsys.readouterr()
        return status, told.out, told.err

    return run


@pytest.fixture
def told(sagline):
    def run(*arguments):
        status, out, err = sagline(*arguments, "--json")
        assert status == 0, err
        return json.loads(out)

    return run


@pytest.fixture
def amendable(recorded):
    """Return the recording; what is amended goes with the test."""
    yield recorded
    amendments_of(recorded).unlink(missing_ok=True)


def test_the_work_lasts_from_contact_to_severance(recorded, told):
    cut = told("cuts", recorded)["cuts"][0]
    assert cut["start_s"] < cut["contact_s"] < cut["severance_s"] < cut["end_s"]
    assert cut["work_duration"]["value"] == pytest.approx(cut["severance_s"] - cut["contact_s"], abs=1e-9)
    assert 0 < cut["work_duration"]["u"] < 0.02
    assert cut["phases_told_by"] == "current and speed"


def test_the_cuts_add_up_with_the_summary(recorded, told):
    """All documented keys; times from the first sample on; their energies are the run's without its rests."""
    cuts, summary = told("cuts", recorded)["cuts"], told("summary", recorded)
    assert len(cuts) == summary["cuts"] >= 2
    assert [cut["index"] for cut in cuts] == list(range(1, len(cuts) + 1))
    for cut in cuts:
        for name in FIGURES:
            assert cut[name] is None or cut[name].keys() == {"value", "u", "unit"}
        assert 0 <= cut["start_s"] < cut["end_s"] <= summary["duration_s"]
        assert cut["duration_s"] == pytest.approx(cut["end_s"] - cut["start_s"])
        names = [phase["phase"] for phase in cut["phases"]]
        assert names == ["spin_up", "free_run", "contact", "severance", "spin_down"][: len(names)]
        assert all(phase["start_s"] <= phase["end_s"] for phase in cut["phases"])
        sag, rest = cut["peak_sag"]["value"], cut["rest_voltage"]["value"]
        assert sag == pytest.approx(rest - cut["minimum_voltage"]["value"])
        assert cut["peak_sag_percent"]["value"] == pytest.approx(100 * sag / rest)
        assert (cut["mean_speed"]["unit"], cut["has_gap"]) == ("1/min", False)
    assert max(cut["peak_current"]["value"] for cut in cuts) == summary["peak_current"]["value"]
    together = sum(cut["energy"]["value"] for cut in cuts)
    assert together == pytest.approx(summary["energy"]["value"], rel=0.02)


def test_the_cuts_are_found_again_in_the_columns(recorded, told):
    """polars' trapezoid over each cut's rows gives its charge and energy, and its peak its highest row."""
    import numpy as np
    import polars as pl

    frame = pl.read_parquet(recorded)
    for cut in told("cuts", recorded)["cuts"]:
        rows = frame.filter(pl.col("t_s").is_between(cut["start_s"] - 1e-9, cut["end_s"] + 1e-9))
        t, amperes, volts = (
            rows[name].to_numpy().astype(float) for name in ("t_s", "current_a", "voltage_v")
        )
        assert cut["charge"]["value"] == pytest.approx(np.trapezoid(amperes, t) / 3600, rel=1e-6)
        assert cut["energy"]["value"] == pytest.approx(np.trapezoid(amperes * volts, t) / 3600, rel=1e-6)
        assert cut["peak_current"]["value"] == amperes.max()


def test_the_cuts_for_people_are_a_table(recorded, sagline):
    status, out, _ = sagline("cuts", recorded)
    assert status == 0
    assert out.splitlines()[0].split()[:3] == ["cut", "start", "s"]
    assert out.splitlines()[1].split()[0] == "1"


def test_a_run_is_amended_from_the_command_line(amendable, sagline, told):
    given = (
        *("--outcome", "void", "--reason", "blunt chain", "--pack", "albatross", "--section", "1800"),
        *("--note", "second try", "--reading", "torque=38.5 N.m /0.5", "--reading", "fastenings=12 1"),
    )
    kept = told("amend", amendable, *given)
    assert kept["amendments"] == str(amendments_of(amendable))
    summary = told("summary", amendable)
    card = summary["run_card"]
    assert (card["pack"], card["section_mm2"], card["tool"]) == ("albatross", 1800.0, "polesaw")
    assert (summary["outcome"], summary["outcome_reason"], summary["amended"]) == (
        "void",
        "blunt chain",
        True,
    )
    assert summary["notes"] == ["second try"]
    assert [(r["quantity"], r["value"], r["unit"], r["resolution"]) for r in summary["readings"]] == [
        ("torque", 38.5, "N.m", 0.5),
        ("fastenings", 12.0, "1", None),
    ]
    assert "void" in summary["warnings"][0]
    status, out, _ = sagline("summary", amendable)
    assert status == 0
    for words in ("albatross", "void", "blunt chain", "second try", "torque", "38.5 N.m"):
        assert words in out


def test_a_later_outcome_takes_the_reason_of_the_former_with_it(amendable, told):
    told("amend", amendable, "--outcome", "void", "--reason", "blunt chain")
    told("amend", amendable, "--outcome", "completed")
    summary = told("summary", amendable)
    assert (summary["outcome"], summary["outcome_reason"]) == ("completed", "")


def test_what_was_added_can_be_taken_back_and_nothing_else(amendable, sagline, told):
    """Numbers count what was added; a wrong one changes nothing. The rest can be added in the same breath."""
    told("amend", amendable, "--note", "one", "--note", "two", "--reading", "torque=3 N.m")
    assert sagline("amend", amendable, "--take-back-note", 3, "--note", "x")[0] == 1
    assert sagline("amend", amendable, "--take-back-reading", 0)[0] == 1
    assert told("summary", amendable)["notes"] == ["one", "two"]
    told("amend", amendable, "--take-back-note", 1, "--take-back-reading", 1, "--note", "three")
    summary = told("summary", amendable)
    assert (summary["notes"], summary["readings"]) == (["two", "three"], [])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "nothing to amend"),
        (["--outcome", "fine"], "rig failure"),
        (["--outcome", "void"], "--reason"),
        (["--outcome", "rig failure", "--reason", " "], "--reason"),
        (["--reading", "torque"], "how much"),
        (["--reading", "torque=38.5"], "unit"),
        (["--reading", "torque=lots N.m"], "not a number"),
        (["--reading", "torque=38,5 N.m"], "comma"),
        (["--reading", "torque=38.5 N.m /0"], "above 0"),
        (["--section", "wide"], "--section"),
        (["--section", "-1"], "above 0"),
        (["--series", "2.5"], "whole number"),
        (["--cut-off", "nan"], "finite"),
        (["--mark", "one=x"], "N=TEXT"),
        (["--ambient", "-300"], "above -273.15"),
        (["--pack", "\udcff"], "half a character"),
    ],
)
def test_wrong_words_are_wrong_usage(amendable, sagline, options, words):
    status, _, err = sagline("amend", amendable, *options)
    assert status == 2
    assert words in err
    assert "Outcome." not in err
    assert not amendments_of(amendable).exists()


def test_what_does_not_fit_the_recording_is_status_one(amendable, sagline, tmp_path):
    assert sagline("amend", tmp_path / "none.parquet", "--note", "x")[0] == 1
    status, _, err = sagline("amend", amendable, "--mark", "9=x")
    assert (status, "no mark 9" in err) == (1, True)
    amendments_of(amendable).write_text("?")
    status, _, err = sagline("amend", amendable, "--note", "x")
    assert (status, "amendments that cannot be read" in err) == (1, True)
    assert amendments_of(amendable).read_text() == "?"
    status, out, _ = sagline("summary", amendable)
    assert (status, "read without its amendments" in out) == (0, True)


def test_the_file_of_a_cut_recording_is_named_where_it_cannot_be_read(sagline, tmp_path):
    status, _, err = sagline("cuts", tmp_path / "none.parquet")
    assert (status, Path("none.parquet").name in err) == (1, True)
