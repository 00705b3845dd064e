"""Calibration laws against handbook tables, data sheets and closed forms."""

import math

import numpy as np
import pytest

from capture.calibration.laws import Line, Thermistor
from capture.calibration.leads import awg_mm2, copper_ohm
from capture.calibration.span import KnownPoint, fit_span
from capture.calibration.written import read_logger

#: Gauge, section in mm2, ohm per 1000 ft at 20 degC: HyperPhysics wire gauge table, Georgia State University.
AWG = [
    (-3, 107.2193, 0.049),
    (4, 21.1506, 0.2485),
    (6, 13.3018, 0.3951),
    (8, 8.3656, 0.6282),
    (10, 5.2612, 0.9989),
    (12, 3.3088, 1.588),
    (14, 2.0809, 2.525),
    (16, 1.3087, 4.016),
    (18, 0.8230, 6.385),
    (20, 0.5176, 10.15),
    (24, 0.2047, 25.67),
    (30, 0.0509, 103.2),
]


@pytest.mark.parametrize(("gauge", "mm2", "ohm_per_1000_ft"), AWG)
def test_wire_table(gauge, mm2, ohm_per_1000_ft):
    """ASTM B258 sections and the printed resistances, to the 0.1 % of their digits."""
    assert awg_mm2(gauge) == pytest.approx(mm2, rel=1e-3)
    assert copper_ohm(awg_mm2(gauge), 304.8) == pytest.approx(ohm_per_1000_ft, rel=1.5e-3)


@pytest.mark.parametrize(
    ("degc", "factor"), [(0, 0.9214), (20, 1.0), (25, 1.01965), (40, 1.0786), (60, 1.1572), (80, 1.2358)]
)
def test_warm_copper(degc, factor):
    """1 + 0.00393 (T - 20): NBS Handbook 100 (1966), for 100 % IACS."""
    assert copper_ohm(1.0, 1.0, degc) / copper_ohm(1.0, 1.0) == pytest.approx(factor, abs=5e-5)


def test_worked_lead():
    """12 AWG, 0.5 m each way, 40 A: 5.211 mohm, 0.2084 V, 8.34 W at 20 degC; 6.030 mohm at 60 degC."""
    ohm = copper_ohm(awg_mm2(12), 1.0)
    assert ohm == pytest.approx(5.211e-3, rel=1e-3)
    assert 40 * ohm == pytest.approx(0.2084, rel=1e-3)
    assert 40**2 * ohm == pytest.approx(8.34, rel=1e-3)
    assert copper_ohm(awg_mm2(12), 1.0, 60.0) == pytest.approx(6.030e-3, rel=1e-3)


#: Vishay document 29049 (extended Steinhart-Hart, 10 k, B25/85 = 3977 K): degC, ohm, what beta alone reports.
VISHAY = [
    (-20, 96295.7, -18.28),
    (0, 32541.4, 0.77),
    (10, 19867.9, 10.41),
    (25, 10000.0, 25.00),
    (40, 5330.5, 39.76),
    (60, 2490.3, 59.69),
    (85, 1070.3, 85.00),
]


@pytest.mark.parametrize(("degc", "ohm", "by_beta"), VISHAY)
def test_thermistor_by_beta_and_by_three_points(degc, ohm, by_beta):
    """Beta misses by what the table says; three points through 0, 25 and 50 degC meet it within 0.1 K."""
    found = Thermistor.of_beta(3977.0, 10_000.0).of(np.array([ohm]))[0]
    assert found == pytest.approx(by_beta, abs=0.011)
    law = Thermistor.through(((0.0, 32541.36), (25.0, 10000.02), (50.0, 3605.79)))
    assert law.of(np.array([ohm]))[0] == pytest.approx(degc, abs=0.12)


def test_three_point_coefficients():
    """Steinhart-Hart through 0/25/50 degC: a = 1.1353374e-3, b = 2.3286099e-4, c = 9.464739e-8 (computed)."""
    law = Thermistor.through(((0.0, 32541.36), (25.0, 10000.02), (50.0, 3605.79)))
    assert (law.a, law.b, law.c) == pytest.approx((1.1353374e-3, 2.3286099e-4, 9.464739e-8), rel=1e-4)


@pytest.mark.parametrize(("degc", "ohm"), [(0, 31425), (10, 19401), (20, 12379), (-30, 169428)])
def test_what_one_beta_makes_of_another_table(degc, ohm):
    """10 k, B25/100 = 3730 (data sheet HTM1505, page 3, has 30029, 18959, 12280 and 144790 ohm there)."""
    assert Thermistor.of_beta(3730.0, 10_000.0).of(np.array([float(ohm)]))[0] == pytest.approx(degc, abs=0.01)


def test_thermistor_in_a_divider():
    """3605 ohm under a pull-up of 10 k: ratio 0.264976, 50 degC; open and shorted read nothing."""
    law = Thermistor.through(((0.0, 32541.36), (25.0, 10000.02), (50.0, 3605.79)), pull_up_ohm=10_000.0)
    found = law.of(np.array([0.264976, 0.0, 1.0, np.nan]))
    assert found[0] == pytest.approx(50.0, abs=0.02)
    assert np.isnan(found[1:]).all()


@pytest.mark.parametrize(
    ("scale", "counts", "value"),
    [
        (2.5e-6, 0x8300 - 0x10000, -80e-3),  # INA226 shunt register, data sheet SBOS547
        (2.5e-6, 0x7FFF, 81.9175e-3),
        (1.25e-3, 0x7FFF, 40.95875),
        (1.25e-3, 9584, 11.98),
        (1.6e-3, 7500, 12.0),  # INA236, SBOSA81D table 8-4
        (312.5e-9, 311_040, 97.2e-3),  # INA229, SLYS023A table 8-4
        (312.5e-9, -311_040, -97.2e-3),
        (195.3125e-6, 245_760, 48.0),
        (7.8125e-3, 3200, 25.0),
        (0.5 * 5 / 128 / 2**23, 0x7FFFFF, 19.531248e-3),  # HX711, gain 128 at 5 V (formula from memory)
    ],
)
def test_registers_of_data_sheets(scale, counts, value):
    assert Line(scale).of(np.array([float(counts)]))[0] == pytest.approx(value, rel=1e-6)


def test_load_cell_of_two_millivolts_per_volt():
    """2 mV/V, 5 V, 50 kg: 4,294,967 counts of a converter with 19.53125 mV full scale (computed)."""
    newton_per_count = 50 * 9.80665 / 4_294_967
    table = {"channels": {"force_count": {"kind": "load_cell", "scale": newton_per_count, "tare": 1000.0,
                                          "becomes": "force_n"}}}  # fmt: skip
    law = read_logger("bench", table).calibrations["force_count"].law
    assert law.of(np.array([1000.0, 1000.0 + 4_294_967])) == pytest.approx([0.0, 50 * 9.80665], abs=1e-9)


@pytest.mark.parametrize(("degrees", "lost"), [(0, 0.0), (5, 0.0038), (10, 0.0152)])
def test_lever_arm(degrees, lost):
    """10 kg at 0.25 m is 24.5166 N.m; 5 degrees off lose 0.38 %, 10 degrees 1.52 % (F L cos theta)."""
    table = {"channels": {"force_n": {"kind": "load_cell", "lever_arm_m": 0.25, "lever_angle_deg": degrees,
                                      "becomes": "torque_nm"}}}  # fmt: skip
    law = read_logger("bench", table).calibrations["force_n"].law
    torque = law.of(np.array([10 * 9.80665]))[0]
    assert torque == pytest.approx(24.516625 * (1 - lost), rel=1e-4)


@pytest.mark.parametrize(
    ("hz", "pulses", "gear", "rpm"),
    [(333.3333333, 1, 1, 20_000), (1333.333333, 4, 1, 20_000), (1000.0, 2, 1, 30_000), (1000.0, 1, 20, 3000)],
)
def test_tachometer(hz, pulses, gear, rpm):
    """rpm = 60 f / p (Instrumentation Reference Book, 3rd edition, p. 499); behind a gear divided by it."""
    table = {"channels": {"speed_hz": {"kind": "tachometer", "pulses_per_rev": pulses, "gear_ratio": gear}}}
    calibration = read_logger("bench", table).calibrations["speed_hz"]
    assert calibration.target == "speed_rpm"
    assert calibration.law.of(np.array([hz]))[0] == pytest.approx(rpm, rel=1e-8)


@pytest.mark.parametrize(
    ("amperes", "millivolts", "mohm"),
    [(50, 50, 1.0), (100, 75, 0.75), (100, 50, 0.5), (200, 75, 0.375), (500, 50, 0.1)],
)
def test_rated_shunts(amperes, millivolts, mohm):
    """R = rated voltage over rated current: at rated voltage a shunt channel reads its rated current."""
    table = {"channels": {"shunt_v": {"kind": "shunt", "shunt_mohm": mohm, "becomes": "current_a"}}}
    law = read_logger("bench", table).calibrations["shunt_v"].law
    assert law.of(np.array([millivolts * 1e-3]))[0] == pytest.approx(amperes)


#: NIST Statistical Reference Datasets, Norris: y, x; certified B0, B1 and their standard deviations.
NORRIS = """0.1 0.2; 338.8 337.4; 118.1 118.2; 888.0 884.6; 9.2 10.1; 228.1 226.5; 668.5 666.3; 998.5 996.3;
449.1 448.6; 778.9 777.0; 559.2 558.2; 0.3 0.4; 0.1 0.6; 778.1 775.5; 668.8 666.9; 339.3 338.0; 448.9 447.5;
10.8 11.6; 557.7 556.0; 228.3 228.1; 998.0 995.8; 888.8 887.6; 119.6 120.2; 0.3 0.3; 0.6 0.3; 557.6 556.8;
339.3 339.1; 888.0 887.2; 998.5 999.0; 778.9 779.0; 10.2 11.1; 117.6 118.3; 228.9 229.2; 668.4 669.1;
449.2 448.9; 0.2 0.5"""


def test_norris():
    """Certified values, to 1e-9."""
    points = [
        KnownPoint(*(float(number) for number in pair.split()))
        for pair in NORRIS.replace("\n", " ").split(";")
    ]
    found = fit_span(points)
    assert found.offset == pytest.approx(-0.262323073774029, rel=1e-9)
    assert found.scale == pytest.approx(1.00211681802045, rel=1e-9)
    assert found.u_offset == pytest.approx(0.232818234301152, rel=1e-9)
    assert found.u_scale == pytest.approx(0.429796848199937e-3, rel=1e-9)
    squares = math.fsum(left**2 for left in found.residuals)
    assert squares == pytest.approx(26.6173985294224, rel=1e-9)
