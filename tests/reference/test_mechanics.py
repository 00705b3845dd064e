"""Units, and a motor's line, against published numbers and closed forms."""

import numpy as np
import pytest

from capture.quantities import Figure
from capture.studies.motor_line import Electronics, Gains, MotorLine, Reason, motor_line, speed_change
from capture.studies.work_figures import Working
from capture.units import unit_scale

#: NIST SP 811 (2008), appendix B.8: the factor as printed (rounded to seven digits), and in full.
NIST = [
    ("lbf", 4.448222, 4.4482216152605),
    ("lbf.in", 0.1129848, 0.1129848290276167),
    ("lbf.ft", 1.355818, 1.3558179483314004),
    ("ozf.in", 7.061552e-3, 0.0070615518142260435),
    ("kgf.m", 9.80665, 9.80665),
    ("mi/h", 0.44704, 0.44704),
    ("ft/s", 0.3048, 0.3048),
    ("psi", 6894.757, 6894.757293168362),
    ("hp", 745.6999, 745.6998715822702),
    ("hp(metric)", 735.4988, 735.49875),
    ("hp(electric)", 746.0, 746.0),
    ("inH2O", 249.0889, 249.08891),
]


@pytest.mark.parametrize(("unit", "printed", "full"), NIST)
def test_units(unit, printed, full):
    assert unit_scale(unit).factor == pytest.approx(full, rel=1e-12)
    assert unit_scale(unit).factor == pytest.approx(printed, rel=5e-7)


def test_degrees_and_turns():
    """t/degC = (t/degF - 32)/1.8; T/K = t/degC + 273.15; 1 rad/s = 30/pi rpm (NIST SP 811, B.8)."""
    fahrenheit, kelvin = unit_scale("degF"), unit_scale("K")
    assert 104 * fahrenheit.factor + fahrenheit.offset == pytest.approx(40.0)
    assert 273.15 * kelvin.factor + kelvin.offset == pytest.approx(0.0, abs=1e-12)
    assert unit_scale("rad/s").factor == pytest.approx(30 / np.pi, rel=1e-12)


def test_plain_words_of_the_trade():
    """1 lbf.in is 0.113 N.m, a weight of 10 lb is 4.54 kg (common practice, no source)."""
    assert unit_scale("in-lb").factor == pytest.approx(0.113, abs=5e-4)
    assert 10 * unit_scale("lb").factor == pytest.approx(4.54, abs=0.005)


#: A motor of 8.5 mN.m/A and 40 mohm on three packs, at no load and at 0.34 N.m (40 A): closed form of
#: V = I R + k w. Open-circuit voltage, pack ohm, no-load rpm, loaded rpm and terminal voltage.
K, MOTOR_OHM = 8.5e-3, 0.040
PACKS = [
    (20.0, 0.030, 22_468.9, 19_323.3, 18.80),
    (20.0, 0.060, 22_468.9, 17_975.1, 17.60),
    (18.0, 0.030, 20_222.0, 17_076.4, 16.80),
]


def working(current, voltage, rpm):
    return Working(current, voltage, Figure(rpm, 5.0, "1/min"))


def line_of_the_motor():
    points = [
        working(amperes, volts, (volts - MOTOR_OHM * amperes) * 30 / (np.pi * K))
        for amperes, volts in [(0.0, 20.0), (40.0, 18.8), (20.0, 19.4), (60.0, 17.0), (0.0, 18.0)]
    ]
    return motor_line(points)


def test_the_line_is_found():
    line = line_of_the_motor()
    assert isinstance(line, MotorLine)
    assert line.ohm.value == pytest.approx(MOTOR_OHM, rel=1e-6)
    assert line.speed_per_volt.value == pytest.approx(30 / (np.pi * K), rel=1e-6)


@pytest.mark.parametrize(("open_v", "pack_ohm", "free_rpm", "loaded_rpm", "terminal_v"), PACKS)
def test_the_table_of_three_packs(open_v, pack_ohm, free_rpm, loaded_rpm, terminal_v):
    line = line_of_the_motor()
    assert open_v - pack_ohm * 40 == pytest.approx(terminal_v)
    assert line.speed_rpm(open_v, 0.0) == pytest.approx(free_rpm, rel=1e-4)
    assert line.speed_rpm(terminal_v, 40.0) == pytest.approx(loaded_rpm, rel=1e-4)


def test_a_weak_pack_a_hard_board_and_a_blunt_blade_are_told_apart():
    line, before = line_of_the_motor(), working(40.0, 18.80, 19_323.3)
    weak = speed_change(line, before, working(40.0, 17.60, 17_975.1))
    assert weak.reason is Reason.VOLTAGE
    assert weak.left.value == pytest.approx(0.0, abs=1.0)
    hard = speed_change(line, before, working(50.0, 18.80, 19_323.3 - 10 * MOTOR_OHM * 30 / (np.pi * K)))
    assert hard.reason is Reason.LOAD
    changed = speed_change(line, before, working(40.0, 18.80, 15_000.0))
    assert changed.reason is Reason.TOOL_OR_FEED
    same = speed_change(line, before, working(40.0, 18.80, 19_325.0))
    assert same.reason is Reason.SAME


def test_where_no_line_holds_it_cannot_tell():
    regulated = [working(amperes, 19.0, 15_000.0) for amperes in (5.0, 10.0, 20.0, 40.0)]
    assert "regulates" in motor_line(regulated)
    steady = [working(30.0, 18.0 + at, 15_000.0 + 800 * at) for at in range(4)]
    assert "nearly the same" in motor_line(steady)
    assert "it takes 4" in motor_line(regulated[:2])
    speeds = [(5.0, 15_000.0), (39.0, 14_000.0), (40.0, 9_000.0), (40.0, 4_000.0)]
    clamped = [working(amperes, 19.0, rpm) for amperes, rpm in speeds]
    assert "line" in motor_line(clamped)
    found = speed_change(motor_line(clamped), clamped[0], clamped[2])
    assert found.reason is Reason.CANNOT_TELL
    assert found.by_voltage is None


def test_the_tachometers_own_gain_is_no_difference():
    """The same tachometer read both: 1 % of 20,000 rpm is 200 rpm in each, and nothing in the difference."""
    before, after = (Working(40.0, 18.8, Figure(rpm, 200.1, "1/min")) for rpm in (20_000.0, 19_800.0))
    assert speed_change("no line", before, after, 0.01).reason is Reason.CANNOT_TELL
    assert speed_change("no line", before, after).reason is Reason.SAME


def test_a_tool_that_regulates_or_clamps_has_no_line_there():
    """The bench file says it: a regulated tool has no line, and points at the clamp are not on it."""
    assert "regulates" in motor_line([], Electronics(regulated=True))
    clamp = Electronics(current_limit_a=40.0)
    free = [
        working(amperes, volts, (volts - MOTOR_OHM * amperes) * 30 / (np.pi * K))
        for amperes, volts in [(2.0, 20.0), (10.0, 19.7), (20.0, 19.4), (30.0, 19.1), (2.0, 18.0)]
    ]
    stalled = [working(39.5, 18.8, 6_000.0), working(40.0, 18.8, 3_000.0)]
    line = motor_line([*free, *stalled], clamp)
    assert isinstance(line, MotorLine)
    assert line.ohm.value == pytest.approx(MOTOR_OHM, rel=1e-6)
    assert "clamps its current at 40 A" in motor_line(stalled * 3, clamp)
    found = speed_change(line, free[2], stalled[0], electronics=clamp)
    assert found.reason is Reason.CANNOT_TELL
    assert "40 A" in found.says


def test_the_gains_of_the_channels_are_in_what_is_stated():
    """R in V/A takes the gains of both, the slope in rpm/V those of speed and voltage (GUM 5.1.6)."""
    line = line_of_the_motor().stated(Gains(speed=0.003, voltage=0.005, current=0.01))
    assert line.ohm.u / line.ohm.value == pytest.approx(np.hypot(0.005, 0.01), rel=1e-3)
    assert line.speed_per_volt.u / line.speed_per_volt.value == pytest.approx(
        np.hypot(0.003, 0.005), rel=1e-3
    )
