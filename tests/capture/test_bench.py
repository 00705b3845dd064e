"""The bench file: what a person wrote about packs, and one clear line where it cannot be understood."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.bench import Bench, BenchPack, find_bench, read_bench
from capture.bench_tool import BenchTool
from capture.errors import InputError
from capture.run_card import RunCard

HERON = """
# the middle one
[packs.heron]
series = 10
parallel = 2
capacity_ah = 5.0
chemistry = "nmc"
cutoff_v_per_group = 2.8
max_current_a = 60
max_temperature_c = 70

[packs.wren]
series = 5

[tools.polesaw]
kind = "saw"
"""


@pytest.fixture
def written(tmp_path):
    def write(text, name="bench.toml"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        return path

    return write


def test_a_bench_describes_packs_and_tools(written):
    bench = read_bench(written(HERON))
    assert bench.packs["heron"] == BenchPack(10, 2.8, 60, 70, 5.0, "nmc")
    assert bench.packs["heron"].cutoff_v == pytest.approx(28.0)
    assert bench.packs["wren"].cutoff_v is None
    assert bench.tools == {"polesaw": BenchTool("saw")}


def test_a_card_is_completed_with_what_is_known_of_its_pack(written):
    """The pack's own limits replace what was typed; an unknown pack keeps what was typed."""
    bench = read_bench(written(HERON))
    card = bench.completed(RunCard("timed cut", "heron", "polesaw", "dry ash", material="ash"))
    assert (card.series, card.cutoff_v, card.max_current_a, card.max_temperature_degc) == (10, 28.0, 60, 70)
    assert (card.note, card.material) == ("dry ash", "ash")
    typed = RunCard(pack="heron", series=9, max_current_a=10.0)
    assert bench.completed(typed).series == 10
    assert bench.completed(RunCard(pack="owl", series=9)) == RunCard(pack="owl", series=9)
    assert bench.completed(RunCard()) == RunCard()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[packs.heron\n", "not TOML"),
        ("[packs.heron]\nseries = 'ten'\n", "packs.heron.series"),
        ("[packs.heron]\nseries = true\n", "packs.heron.series"),
        ("[packs.heron]\nseries = 0\n", "packs.heron.series"),
        ("[packs.heron]\nmax_current_a = -3\n", "packs.heron.max_current_a"),
        ("[packs.heron]\nmax_current_a = nan\n", "packs.heron.max_current_a"),
        ("[packs.heron]\nmax_temperature_c = -300\n", "packs.heron.max_temperature_c"),
        ("packs = 3\n", "packs is no table"),
        ("[packs]\nheron = 3\n", "packs is no table"),
        ("x = " + "[" * 5000, "not TOML"),
    ],
)
def test_what_cannot_be_understood_is_told_in_one_line(written, text, words):
    path = written(text)
    with pytest.raises(InputError) as told:
        read_bench(path)
    assert words in str(told.value)
    assert str(path) in str(told.value)
    assert "\n" not in str(told.value)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("bench") / "bench.toml"
    path.write_bytes(content)
    with suppress(InputError):  # anything else is a fault
        assert isinstance(read_bench(path), Bench)


def test_the_nearest_bench_is_taken(written, tmp_path, monkeypatch):
    """The one given, else that of the working folder, else the user's own, else none."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "own"))
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    assert find_bench() == Bench()
    written("[packs.own]\n", "own/sagline/bench.toml")
    assert set(find_bench().packs) == {"own"}
    written("[packs.work]\n", "work/bench.toml")
    assert set(find_bench().packs) == {"work"}
    assert set(find_bench(written("[packs.given]\n", "given.toml")).packs) == {"given"}
    with pytest.raises(InputError, match="cannot be read"):
        find_bench(tmp_path / "nowhere.toml")


OWN_CURVE = """
[packs.heron.open_circuit]
state_of_charge = [0, 0.5, 1.0]
volts = [2.9, 3.7, 4.2]
source = "learnt from three runs"
"""


def test_a_pack_s_own_open_circuit_curve(written):
    """Voltages of a group at states of charge; without u_volts what somebody wrote down is 20 mV good."""
    bench = read_bench(written(HERON + OWN_CURVE))
    curve = bench.open_circuit(RunCard(pack="heron"))
    for other in ("wren", "owl", None):
        assert bench.open_circuit(RunCard(pack=other)) is None
    assert (curve.chemistry, curve.source, curve.learnt) == ("nmc", "learnt from three runs", True)
    assert curve.volts(curve.states).tolist() == [2.9, 3.7, 4.2]
    assert curve.u_v.tolist() == [0.02, 0.02, 0.02]
    closer = read_bench(written(HERON + OWN_CURVE + "u_volts = [0.01, 0.005, 0.01]\n")).packs["heron"]
    assert closer.open_circuit.u_v.tolist() == [0.01, 0.005, 0.01]


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        ("open_circuit = 3", "packs.heron.open_circuit is no table"),
        ("open_circuit = {volts = [3, 4]}", "state_of_charge is no row of numbers"),
        ("open_circuit = {state_of_charge = [0, 1], volts = 3}", "volts is no row of numbers"),
        ("open_circuit = {state_of_charge = [0, 1], volts = [3, true]}", "one of them is not a number"),
        ("open_circuit = {state_of_charge = [0, 1], volts = [4, 3]}", "does not rise"),
        ("open_circuit = {state_of_charge = [0, 1], volts = [3, 4], u_volts = [0, 1]}", "not above 0"),
        ("open_circuit = {state_of_charge = [0, 1], volts = [3, nan]}", "not a finite number"),
    ],
)
def test_what_is_no_curve(written, lines, why):
    with pytest.raises(InputError, match=why):
        read_bench(written(f"[packs.heron]\n{lines}\n"))


TOOLS = """
[tools.polesaw]
kind = "saw"
regulated = false
no_load_speed_rpm = 4200
pulses_per_rev = 2
colour = "green"    # of a later version: passed over

[tools.driver]
kind = "impact"
current_limit_a = 40.0
"""


def test_what_is_known_of_a_tool_comes_onto_the_card(written):
    bench = read_bench(written(TOOLS))
    card = bench.completed(RunCard("timed cut", "heron", "polesaw", regulated=True))
    assert (card.tool_kind, card.regulated, card.no_load_speed_rpm, card.pulses_per_rev) == (
        "saw", False, 4200, 2,
    )  # fmt: skip
    assert card.current_limit_a is None
    driver = bench.completed(RunCard(tool="driver", regulated=True))
    assert (driver.torque_comes_in_blows, driver.current_limit_a) == (True, 40.0)
    assert driver.regulated is True
    assert bench.completed(RunCard(tool="unknown")) == RunCard(tool="unknown")
    assert RunCard.from_json(card.as_json()) == card


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('regulated = "yes"', "tools.saw.regulated is neither yes nor no"),
        ("current_limit_a = -3", "tools.saw.current_limit_a must be above 0"),
        ("kind = 3", "tools.saw.kind is int and no text"),
        ("pulses_per_rev = nan", "tools.saw.pulses_per_rev is not a finite number"),
        ("no_load_speed_rpm = true", "tools.saw.no_load_speed_rpm is not a number"),
    ],
)
def test_a_tool_that_cannot_be_is_one_line(written, line, words):
    with pytest.raises(InputError, match=words):
        read_bench(written(f"[tools.saw]\n{line}\n"))
