"""`sagline calibrate` at a terminal asks step by step for what is missing, waits, and asks nothing else."""

import sys

import pytest

from capture.bench import read_bench
from tui.command_line import main

RIG = "sim:polesaw?current_offset=0.3"


@pytest.fixture
def talk(tmp_path, capsys, monkeypatch):
    """Return what a talk with the command came to: status, what was said, questions, and the bench file."""

    def run(answers, *options, address=RIG):
        left, asked = list(answers), []

        def answer(question):
            asked.append(question)
            if not left:
                raise EOFError
            return left.pop(0)

        monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
        monkeypatch.setattr("builtins.input", answer)
        path = tmp_path / "bench.toml"
        status = main(["calibrate", address, "--seconds", "0.5", "--bench", str(path), *options])
        assert not left, "not all answers were asked for"
        return status, capsys.readouterr(), asked, path

    return run


def words(printed):
    """Return a text as one line, wherever the terminal's width broke it."""
    return " ".join(printed.split())


def test_a_zero_step_by_step(talk):
    """Channel, kind, the known value, no other, what it was compared with, and whether to keep it."""
    status, told, asked, path = talk(["1", "", "0", "", "nothing connected", "y"])
    assert status == 0
    assert "current_a" in told.out
    assert "Connect nothing" in words(told.err)
    assert "Current hurts" in words(told.err)
    assert any("value in A" in question for question in asked)
    known = read_bench(path).loggers["bench"].calibrations["current_a"]
    assert known.law.offset == pytest.approx(-0.33, abs=0.05)
    assert known.reference == "nothing connected"
    assert known.date


def test_a_tachometer_is_asked_for_pulses_and_gear(talk):
    status, told, _, path = talk(["2", "20", "", "y"], "--channel", "speed_rpm", "--kind", "tachometer")
    assert status == 0
    assert "blade off" in words(told.err)
    assert read_bench(path).loggers["bench"].calibrations["speed_rpm"].law.scale == pytest.approx(1 / 40)


def test_a_load_cell_is_asked_for_its_arm_and_tared(talk):
    answers = ["0.25+-0.001", "", "0", "", "", "y"]
    status, told, _, path = talk(answers, "--channel", "force_n", "--kind", "load_cell")
    assert status == 0
    assert "that is the tare" in words(told.err)
    known = read_bench(path).loggers["bench"].calibrations["force_n"]
    assert known.target == "torque_nm"
    assert known.constants["lever_arm_m"] == 0.25
    assert known.u_offset > 0


def test_a_thermistor_by_its_data_sheet(talk):
    answers = ["10000", "3.3", "3977", "10000", "data sheet", "y"]
    status, _, asked, path = talk(answers, "--channel", "pack_temperature_degc", "--kind", "thermistor")
    assert status == 0
    assert not any("temperature in" in question for question in asked)
    known = read_bench(path).loggers["bench"].calibrations["pack_temperature_degc"]
    assert known.law.pull_up_ohm == 10_000
    assert known.law.supply == 3.3


def test_what_is_mistyped_is_asked_again(talk):
    answers = ["two", "2", "", "", "y"]
    status, told, asked, _ = talk(answers, "--channel", "speed_rpm", "--kind", "tachometer")
    assert status == 0
    assert "'two' is not a number" in words(told.err)
    assert len([question for question in asked if question.startswith("Pulses")]) == 2


def test_nothing_is_asked_when_all_is_given(talk):
    status, _, asked, path = talk([], "--channel", "current_a", "--zero", "--yes")
    assert status == 0
    assert asked == []
    assert read_bench(path).loggers["bench"].calibrations["current_a"].u_offset > 0


@pytest.mark.parametrize(
    ("answers", "options", "status", "words"),
    [
        (["99"], (), 1, "has no channel '99'"),
        (["1", "magic"], (), 2, "'magic' is none of"),
        ([""], ("--channel", "speed_rpm", "--kind", "tachometer"), 2, "pulses_per_rev has to be known"),
        ([""], ("--channel", "current_a", "--kind", "gain"), 1, "was told no known value"),
        ([], ("--channel", "current_a", "--kind", "gain"), 130, "stopped"),
        (["0", "", "", "n"], ("--channel", "current_a", "--kind", "gain"), 0, "Nothing was kept"),
    ],
)
def test_what_ends_a_talk_keeps_nothing(talk, answers, options, status, words):
    found, told, _, path = talk(answers, *options)
    assert found == status
    assert words in told.err
    assert not path.exists()


def test_a_terminal_waits_until_it_is_still(talk):
    """The saw begins its first cut three seconds after the stream; a bounded wait says what it saw."""
    options = ("--channel", "current_a", "--zero", "--yes", "--seconds", "4", "--wait", "6")
    status, told, _, path = talk([], *options)
    assert status == 1
    assert "does not hold still" in words(told.err)
    assert "waited for 6 s" in words(told.err)
    assert not path.exists()
