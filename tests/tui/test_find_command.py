"""`sagline find`, as scripts and people use it."""

import json
import os
import pty
import subprocess
import sys
import tty

import pytest

from capture.links.address import parse_address
from capture.links.pseudo_terminal import PseudoTerminalLogger
from capture.links.virtual import virtual_rig


def find(*arguments):
    command = [sys.executable, "-m", "tui.command_line", "find", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def silent():
    device, host = pty.openpty()
    tty.setraw(host)
    yield os.ttyname(host)
    os.close(device)
    os.close(host)


def test_a_logger_on_a_named_port_and_one_that_is_silent(silent):
    """Loggers and others lie apart in the JSON; nothing else is on standard output."""
    with PseudoTerminalLogger(virtual_rig(parse_address("sim:polesaw"))) as logger:
        done = find("--port", logger.path, "--port", silent, "--json")
    assert done.returncode == 0
    told = json.loads(done.stdout)
    (found,) = told["loggers"]
    assert found["address"] == f"serial:{logger.path}"
    assert found["name"] == "virtual pole saw, heron"
    assert found["channels"][:2] == ["current_a", "voltage_v"]
    (other,) = told["others"]
    assert other["address"] == f"serial:{silent}"
    assert "nothing answers" in other["trouble"]


def test_the_virtual_logger_only_where_it_is_asked_for(silent):
    options = ["--port", silent, "--seconds", 0.3, "--json"]
    assert json.loads(find(*options).stdout)["loggers"] == []
    (found,) = json.loads(find(*options, "--virtual").stdout)["loggers"]
    assert (found["address"], found["kind"]) == ("sim:polesaw", "virtual")


def test_none_found_says_what_to_do_next(silent):
    done = find("--port", silent, "--seconds", 0.3)
    assert done.returncode == 0
    assert f"serial:{silent}  - nothing answers" in done.stdout
    assert "Plug one in" in done.stdout
    assert done.stdout.splitlines()[-1].endswith("sagline demo")


def test_for_people_a_logger_takes_two_lines():
    with PseudoTerminalLogger(virtual_rig(parse_address("sim:polesaw"))) as logger:
        lines = find("--port", logger.path).stdout.splitlines()
    assert lines[0] == f"serial:{logger.path}  virtual pole saw, heron, firmware virtual 1.0"
    assert lines[1].strip().startswith("16 channels: current_a, voltage_v")


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "1000"])
def test_a_time_that_makes_no_sense_is_wrong_usage(seconds):
    done = find("--seconds", seconds)
    assert (done.returncode, done.stdout) == (2, "")
