"""The app in a real terminal: what a person sees and presses, and the file that comes of it."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import uuid

import polars as pl
import pytest

needs_tmux = pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")

PATIENCE_S = 30.0


class Terminal:
    """A tmux server of its own with one window that runs a command."""

    def __init__(self, command, width, height):
        self._socket = f"sagline-{uuid.uuid4().hex[:8]}"
        self._tmux("new-session", "-d", "-s", "app", "-x", str(width), "-y", str(height), command)

    def _tmux(self, *arguments):
        command = ["tmux", "-L", self._socket, "-f", "/dev/null", *arguments]
        return subprocess.run(command, capture_output=True, text=True, check=True, timeout=20).stdout

    def press(self, *keys):
        self._tmux("send-keys", "-t", "app", *keys)

    def screen(self):
        return self._tmux("capture-pane", "-p", "-t", "app")

    def wait_for(self, pattern):
        give_up = time.monotonic() + PATIENCE_S
        while time.monotonic() < give_up:
            screen = self.screen()
            if re.search(pattern, screen):
                return screen
            time.sleep(0.1)
        raise AssertionError(f"never showed {pattern!r}:\n{screen}")

    def terminate(self):
        (shell,) = self._tmux("list-panes", "-t", "app", "-F", "#{pane_pid}").split()
        (app,) = subprocess.run(
            ["pgrep", "-P", shell], capture_output=True, text=True, check=True, timeout=20
        ).stdout.split()
        os.kill(int(app), signal.SIGTERM)

    def end(self):
        subprocess.run(
            ["tmux", "-L", self._socket, "kill-server"], capture_output=True, check=False, timeout=20
        )


def running(folder):
    """Return whether a program of ours that records to `folder` is alive."""
    found = subprocess.run(["pgrep", "-f", f"^{sys.executable} .*{folder}"], capture_output=True, check=False)
    return found.returncode == 0


@pytest.fixture
def terminal():
    opened = []

    def start(arguments, width=80, height=24):
        command = f"{sys.executable} -m tui.command_line {arguments}; echo left with $?; sleep 60"
        opened.append(Terminal(command, width, height))
        return opened[-1]

    yield start
    for one in opened:
        one.end()


@needs_tmux
def test_a_newcomer_records_a_run(terminal, tmp_path):
    """The demo on a real serial port: a load starts the recording; mark, gauge, stop, cuts, next run."""
    app = terminal(f"demo --serial --out {tmp_path}")
    first = app.wait_for("STREAMING")
    assert "ARMED" in first
    app.wait_for(r"■ RECORDING 0:0[4-9]")
    app.press("m")
    app.wait_for("1 mark")
    app.press("e")
    app.wait_for("What did the gauge show")
    app.press("torque")
    app.wait_for("torque")
    app.press("Tab")
    time.sleep(0.5)  # where the cursor is cannot be read off the screen
    app.press("38.5", "Enter")
    app.wait_for(r"torque 38.5 N.m kept")
    app.press("?")
    app.wait_for("Cautions|Keys")
    app.press("Escape")
    app.wait_for("cut 1 .* Wh")
    app.press("r")
    result = app.wait_for("peak sag V")
    (path,) = tmp_path.glob("*.parquet")
    assert path.name in result
    assert str(tmp_path)[:40] in result, "where the file is"
    assert "drop from rest" in result
    app.press("1")
    app.wait_for("● completed")
    app.press("Enter")
    app.wait_for("◇ ARMED|■ RECORDING")
    app.press("q")
    last = app.wait_for("left with 0")
    assert "saved " in last
    frame = pl.read_parquet(path)
    assert frame["tick_us"].diff().drop_nulls().unique().to_list() == [2000]
    load_s = frame.filter(pl.col("current_a") > 3.0)["t_s"].min()
    assert 2.0 < load_s < 5.0, "the seconds before the load are there"
    summary = json.loads(
        subprocess.run(
            [sys.executable, "-m", "tui.command_line", "summary", path, "--json"],
            capture_output=True,
            check=True,
            timeout=60,
        ).stdout
    )
    assert summary["run_card"]["outcome"] == "completed"
    assert [mark["text"] for mark in summary["marks"]] == [""]
    assert [(one["quantity"], one["value"], one["unit"]) for one in summary["readings"]] == [
        ("torque", 38.5, "N.m")
    ]


@needs_tmux
def test_runs_follow_one_another_without_a_hand(terminal, tmp_path):
    """Armed: each load makes a run of its own, what it gave is shown until the next load sets in."""
    app = terminal(f"demo --tail 2 --out {tmp_path}", width=120, height=40)
    app.wait_for("ends in [12] s")
    app.wait_for("next load starts the next run")
    app.wait_for("■ RECORDING")
    app.press("a")
    app.wait_for("nothing starts or ends by itself now")
    app.press("q")
    app.wait_for("left with 0")
    first, _second = sorted(tmp_path.glob("*.parquet"))
    current = pl.read_parquet(first)["current_a"].to_numpy()
    assert (current[-900:] < 0.5).all(), "the tail behind the load"


@needs_tmux
def test_quitting_while_recording_saves(terminal, tmp_path):
    """q in mid-run: nothing is lost, and the name of the file is told."""
    app = terminal(f"record sim:polesaw --pack wren --out {tmp_path}", width=120, height=40)
    app.wait_for(r"■ RECORDING 0:0[1-9]")
    app.press("q")
    app.wait_for("left with 0")
    (path,) = tmp_path.glob("*wren.parquet")
    assert len(pl.read_parquet(path)) > 400


@needs_tmux
@pytest.mark.parametrize("end", ["a shutdown", "the terminal closes"])
def test_the_end_of_the_session_saves(terminal, tmp_path, end):
    """SIGTERM and a closed terminal (SIGHUP) end the run well: the file is sealed."""
    app = terminal(f"record sim:polesaw --out {tmp_path}")
    app.wait_for(r"■ RECORDING 0:0[1-9]")
    if end == "a shutdown":
        app.terminate()
        app.wait_for("left with 0")
    else:
        app.end()
    give_up = time.monotonic() + PATIENCE_S
    while list(tmp_path.glob("*.journal")) and time.monotonic() < give_up:
        time.sleep(0.1)
    (path,) = tmp_path.iterdir()
    assert len(pl.read_parquet(path)) > 400
    while running(tmp_path) and time.monotonic() < give_up:
        time.sleep(0.1)
    assert not running(tmp_path), "the program goes, with or without its terminal"


@needs_tmux
def test_from_the_first_screen_on(terminal, tmp_path):
    """Look around, record with the demo, come back, open the recording, leave: all by keys."""
    app = terminal(f"--out {tmp_path}")
    first = app.wait_for("virtual pole saw")
    assert "CAUTION" in first
    app.wait_for("None yet")
    app.press("d")
    app.wait_for("STREAMING")
    app.press("r")
    app.wait_for(r"■ RECORDING 0:0[1-9]")
    app.press("Escape")
    app.wait_for(r"Saved .*\.parquet")
    app.wait_for("heron +timed cut +0:0")
    app.press("End", "Enter")
    app.wait_for("drop from rest")
    app.press("Escape")
    app.wait_for("LOGGERS")
    app.press("q")
    last = app.wait_for("left with 0")
    (path,) = tmp_path.iterdir()
    assert f"saved {path}" in last.replace("\n", "")


@needs_tmux
def test_the_first_screen_finishes_what_was_interrupted(terminal, tmp_path):
    """A recording that was killed is whole again before anybody asks; one that runs is left alone."""
    command = [sys.executable, "-m", "tui.command_line", "demo", "--headless", "--out", str(tmp_path)]
    running, killed = [
        subprocess.Popen([*command, "--pack", pack], stderr=subprocess.PIPE, text=True)
        for pack in ("wren", "heron")
    ]
    for started in (running, killed):
        assert " V " in started.stderr.readline()
    killed.kill()
    killed.communicate()
    app = terminal(f"--out {tmp_path}")
    app.wait_for("✓ finished .*_heron.parquet")
    app.wait_for("▲ interrupted")
    assert "wren" not in app.screen()
    running.terminate()
    running.communicate()
    app.terminate()
    app.wait_for("left with 0")
    assert {path.suffix for path in tmp_path.iterdir()} == {".parquet"}


@needs_tmux
def test_a_port_that_is_not_there(terminal, tmp_path):
    """The screen says so and stays; leaving it the line is repeated and the status is 1."""
    app = terminal(f"record serial:/dev/ttyNONE9 --out {tmp_path}")
    screen = app.wait_for("FAILED")
    assert "no such port" in screen
    app.press("q")
    app.wait_for("left with 1")
