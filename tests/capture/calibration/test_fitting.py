"""What constants and known values make: entries of the bench file whose uncertainties cover the truth."""

import numpy as np
import pytest

from capture.calibration.fitting import (
    Typed,
    line_entry,
    ohm_point,
    thermistor_entry,
    typed_entry,
)
from capture.calibration.kinds import read_calibration
from capture.calibration.laws import Thermistor
from capture.calibration.span import KnownPoint

FORCES = [KnownPoint(0.0, 120.0, 0.0, 1.0), KnownPoint(49.03, 5020.0, 0.02, 1.0)]


def law_of(column, kind, entry):
    return read_calibration(column, {"kind": kind, **entry.values})


def test_a_load_cell_by_tare_weight_and_lever_arm():
    entry = line_entry("force_count", "load_cell", Typed({"lever_arm_m": 0.25}), FORCES)
    assert entry.values["scale"] == pytest.approx(49.03 / 4900)
    assert entry.values["tare"] == pytest.approx(120.0)
    made = law_of("force_count", "load_cell", entry)
    assert made.target == "torque_nm"
    assert made.law.of(np.array([120.0, 5020.0])) == pytest.approx([0.0, 49.03 * 0.25])


def test_a_tare_alone_keeps_the_scale_and_its_uncertainty():
    typed = Typed({"scale": 0.01}, {"scale": 0.0002})
    entry = line_entry("force_n", "load_cell", typed, FORCES[:1])
    assert entry.values["tare"] == pytest.approx(120.0)
    assert entry.values["u_scale"] == pytest.approx(0.0002)
    assert "u_scale" not in line_entry("force_n", "load_cell", Typed({"scale": 0.01}), FORCES[:1]).values


def test_the_uncertainty_of_a_torque_holds_the_lever_arm():
    """Monte Carlo (JCGM 101:2008, clause 7) over both points and the arm, at a high torque and at none."""
    typed = Typed({"lever_arm_m": 0.25}, {"lever_arm_m": 0.004})
    entry = line_entry("force_n", "load_cell", typed, FORCES)
    values = entry.values
    random = np.random.default_rng(5)
    zero = random.normal(120.0, 1.0, 20_000)
    full, force = random.normal(5020.0, 1.0, 20_000), random.normal(49.03, 0.02, 20_000)
    arm = random.normal(0.25, 0.004, 20_000)
    scale = arm * force / (full - zero)
    for reading in (120.0, 5020.0, 20_000.0):
        spread = float((scale * (reading - zero)).std())
        both = 2 * values["correlation"] * reading * values["u_scale"] * values["u_offset"]
        u = (reading**2 * values["u_scale"] ** 2 + values["u_offset"] ** 2 + both) ** 0.5
        assert u == pytest.approx(spread, rel=0.05)


def test_the_gain_of_the_weights_is_shared():
    entry = line_entry("force_n", "load_cell", Typed(reference_gain=0.0016), FORCES)
    relative = entry.values["u_scale"] / entry.values["scale"]
    assert relative == pytest.approx(np.hypot(0.0016, np.hypot(0.02 / 49.03, 2**0.5 / 4900)), rel=0.01)


def test_resistors_of_a_divider_that_are_known_to_one_percent():
    typed = Typed({"r_top_ohm": 100e3, "r_bottom_ohm": 10e3}, {"r_top_ohm": 1e3, "r_bottom_ohm": 100.0})
    entry = typed_entry("tap_v", "divider", typed)
    # scale = 1 + top / bottom: 10 of 11 parts of it move by 1 % for each
    assert entry.values["u_scale"] == pytest.approx(10 * 0.01 * 2**0.5, rel=0.01)
    assert "u_offset" not in entry.values


def test_constants_that_are_exact_claim_no_uncertainty():
    entry = typed_entry("speed_rpm", "tachometer", Typed({"pulses_per_rev": 2.0}))
    assert entry.values == {"pulses_per_rev": 2.0}


def test_beta_and_resistance_of_a_data_sheet():
    """1 % of R25 is about 0.22 K at 25 degC (T^2 / B x 1 %), 30 K of beta 0.25 K at 60 degC."""
    typed = Typed({"beta_k": 3977.0, "r25_ohm": 10e3}, {"beta_k": 30.0, "r25_ohm": 100.0})
    u = typed_entry("pack_temperature_ohm", "thermistor", typed).values["u_offset"]
    of_ohm = 333.15**2 / 3977 * 0.01
    of_beta = 333.15**2 / 3977 * 30 * (1 / 298.15 - 1 / 333.15)
    assert u == pytest.approx(np.hypot(of_ohm, of_beta), rel=0.02)


def test_known_temperatures_with_readings_of_a_divider():
    divider = {"pull_up_ohm": 10_000.0, "supply": 3.3}
    true = Thermistor.of_beta(3977.0, 10_000.0, **divider)
    typed, points = Typed(divider), []
    for degc in (5.0, 45.0):
        volts = float(true.given_at(np.array([degc]))[0])
        points.append(ohm_point("pack_temperature_v", typed, KnownPoint(degc, volts, 0.1, 0.002)))
    entry = thermistor_entry("pack_temperature_v", typed, points)
    assert entry.values["beta_k"] == pytest.approx(3977.0)
    assert entry.values["r25_ohm"] == pytest.approx(10_000.0)
    assert 0.1 < entry.values["u_offset"] < 0.4
    with pytest.raises(ValueError, match="open or shorted"):
        ohm_point("pack_temperature_v", typed, KnownPoint(5.0, 3.3))


@pytest.mark.parametrize(
    ("column", "kind", "constants", "words"),
    [
        ("current_a", "gain", {"scale": 0.0}, "scale is 0"),
        ("current_a", "gain", {"tare": 1.0}, "tare is not known"),
        ("force_n", "load_cell", {"lever_angle_deg": 5.0}, "needs lever_arm_m"),
    ],
)
def test_constants_that_make_no_law_are_said(column, kind, constants, words):
    with pytest.raises(ValueError, match=words):
        line_entry(column, kind, Typed(constants), FORCES)


def test_known_values_that_span_nothing():
    with pytest.raises(ValueError, match="span nothing"):
        line_entry("current_a", "gain", Typed(), [KnownPoint(5.0, 1.0), KnownPoint(5.0, 2.0)])


def test_temperatures_and_constants_are_one_too_many():
    points = [ohm_point("t_ohm", Typed(), KnownPoint(*point)) for point in ((25.0, 1e4), (50.0, 3605.0))]
    with pytest.raises(ValueError, match="not by both"):
        thermistor_entry("t_ohm", Typed({"beta_k": 3977.0}), points)
