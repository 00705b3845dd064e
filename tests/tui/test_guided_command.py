"""`record --guide sag` without a screen: instructions on standard error, resistance on standard output."""

import json
import signal
import subprocess
import sys

import pytest
from bench_load_blocks import true_resistance_ohm

from capture.links.address import parse_address
from capture.links.virtual import virtual_rig

SAGLINE = [sys.executable, "-m", "tui.command_line"]
BANK = "sim:loadbank?amps=20&speed=100"
#: Every instruction that is asserted stands for half a second at least, however busy the machine.
UNHURRIED = "sim:loadbank?amps=20&speed=20&rest=40&early=2"
BENCH = "[packs.heron]\nseries = 10\ncutoff_v_per_group = 2.8\nmax_current_a = 60\n"


def sagline(*arguments, cwd):
    command = [*SAGLINE, "record", *map(str, arguments), "--headless"]
    return subprocess.run(command, capture_output=True, text=True, timeout=90, check=False, cwd=cwd)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH)
    return tmp_path


def test_a_guided_test_for_scripts(folder):
    """The figures at once, after 0.1, 1 and 10 s are the model's, within 2 u and 3 %."""
    done = sagline(UNHURRIED, "--guide", "sag", "--pack", "heron", "--json", cwd=folder)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    guide = told["guide"]
    assert (guide["ending"], guide["repeats_counted"], told["lost_samples"]) == ("complete", 3, 0)
    assert [attempt["trouble"] for attempt in guide["attempts"]] == [None, "early_release", None, None]
    assert guide["attempts"][0]["load_on_s"] == pytest.approx(40.0, abs=0.005)
    scenario = virtual_rig(parse_address(UNHURRIED)).scenario
    for after_s, figure in ((0.0, guide["ohmic"]), *((float(at), one) for at, one in guide["pulse"].items())):
        true_ohm = true_resistance_ohm(scenario, 22.5, after_s)
        assert abs(figure["value"] - true_ohm) <= 2 * figure["u"]
        assert figure["value"] == pytest.approx(true_ohm, rel=0.03)
    said = done.stderr
    for words in ("never unattended", "Switch the load on now", "Hold: ", "Repeat 2 of 3", "Done: 3 of 3"):
        assert words in said
    assert "The load went too early after 4.5 s: done again" in said


def test_a_guided_test_for_people(folder):
    done = sagline(BANK, "--guide", "sag", "--repeats", 1, "--load", 20, cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "1 of 1 loads count" in done.stdout
    assert "10 s after a step" in done.stdout
    assert "±" in done.stdout
    assert "No cut-off voltage of this pack is known" in done.stderr


def test_whoever_leaves_early_gets_what_there_is(folder):
    """Ctrl-C in a hold is a normal stop; the last word is to take the load off."""
    command = [*SAGLINE, "record", "sim:loadbank?rest=11&speed=10", "--guide", "sag", "--headless", "--json"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=folder
    ) as run:
        said = []
        for line in run.stderr:
            said.append(line)
            if "Hold: " in line:
                break
        run.send_signal(signal.SIGINT)
        out, err = run.communicate(timeout=60)
    assert run.returncode == 0, err
    guide = json.loads(out)["guide"]
    assert (guide["ending"], guide["repeats_counted"], guide["attempts"]) == (None, 0, [])
    assert guide["under_way"]["load_on_s"] == pytest.approx(11.0, abs=0.005)
    assert "switch the load off" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--repeats", "2"], "--repeats belongs to a guided test"),
        (["--guide", "sag", "--arm"], "leave --arm out"),
        (["--guide", "sag", "--kind", "stall"], "--kind 'stall' is not what --guide sag does"),
        (["--guide", "sag", "--repeats", "0"], "--repeats 0 is not from 1 to 50"),
        (["--guide", "sag", "--hold", "nan"], "--hold nan is not from 2 to 60 s"),
        (["--guide", "sag", "--load", "-3"], "--load -3 is no current"),
        (["--guide", "sag", "--load", "80", "--pack", "heron"], "above the 60 A that the pack bears"),
        (["--guide", "drill"], "invalid choice: 'drill'"),
    ],
)
def test_wrong_usage(folder, arguments, words):
    done = sagline("sim:loadbank", *arguments, cwd=folder)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert not (folder / "recordings").exists()
