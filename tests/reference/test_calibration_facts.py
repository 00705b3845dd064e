"""Facts of the trade about shunts, copper, converters, load cells, thermistors and tachometers."""

from decimal import Decimal

import numpy as np
import pytest
from logger_streams import channel

from capture.calibration.kinds import read_calibration
from capture.calibration.laws import Line, Thermistor
from capture.calibration.leads import COPPER_OHM_MM2_PER_M, awg_mm2, copper_ohm, resistor_of_drop
from capture.calibration.thermistor_points import ThermistorPoint, fit_thermistor
from capture.decoding import BlockDecoder
from capture.plateau import plateau_of
from capture.uncertainty.gum import quantisation
from capture.units import STANDARD_GRAVITY
from firmware_protocol.messages import Samples
from firmware_protocol.wire import WireType


def test_copper_by_its_mass():
    """0.15328 ohm.g/m2 over 8.89 g/cm3 is 0.01724184 ohm.mm2/m (NBS Handbook 100, as quoted)."""
    assert pytest.approx(0.15328 / 8.89, rel=1e-4) == COPPER_OHM_MM2_PER_M


def test_copper_without_resistance():
    """The straight line of 0.00393 per kelvin at 20 degC meets zero at -234.45 degC (computed)."""
    assert copper_ohm(1.0, 1.0, -234.45) == pytest.approx(0.0, abs=1e-6)


def test_gauges_by_their_definition():
    """36 is 0.0050 in, 0000 is 0.4600 in, each 1.1229322 times the one above it (ASTM B258)."""
    assert awg_mm2(36) == pytest.approx(np.pi / 4 * (0.005 * 25.4) ** 2, rel=1e-12)
    assert awg_mm2(-3) == pytest.approx(np.pi / 4 * (0.46 * 25.4) ** 2, rel=1e-12)
    assert (awg_mm2(11) / awg_mm2(12)) ** 0.5 == pytest.approx(1.1229322, rel=1e-7)


@pytest.mark.parametrize(
    ("gauge", "mohm_per_m"),
    [(4, 0.81517), (10, 3.2771), (12, 5.2108), (14, 8.2855), (18, 20.948), (30, 338.56)],
)
def test_a_metre_of_wire(gauge, mohm_per_m):
    """Computed from ASTM B258 and 1/58; a copied list that has 10 AWG 15 % lower is wrong."""
    assert copper_ohm(awg_mm2(gauge), 1.0) * 1e3 == pytest.approx(mohm_per_m, rel=1e-4)


@pytest.mark.parametrize(
    ("amperes", "millivolts", "watts"),
    [(50, 50, 2.5), (100, 75, 7.5), (100, 50, 5.0), (200, 75, 15.0), (500, 50, 25.0)],
)
def test_what_a_rated_shunt_takes(amperes, millivolts, watts):
    """Rated voltage times rated current (computed), from the resistance that its drop tells."""
    shunt = resistor_of_drop("shunt", (millivolts * 1e-3, 0.0), (amperes, 0.0))
    assert shunt.ohm * amperes**2 == pytest.approx(watts)


def test_a_lead_inside_the_sense_loop():
    """1 mohm beside the shunt's own 1 mohm makes 60 mV more of 60 A, read as 120 A (computed)."""
    law = read_calibration("shunt_v", {"kind": "shunt", "shunt_mohm": 1.0}).law
    assert law.of(np.array([60 * 2e-3])) == pytest.approx([120.0])


@pytest.mark.parametrize(
    ("bits", "volts", "step_mv", "rms_mv"), [(12, 3.3, 0.80566, 0.232575), (10, 5.0, 4.88281, 1.40955)]
)
def test_steps_of_a_converter(bits, volts, step_mv, rms_mv):
    """LSB / sqrt(12): Analog Devices MT-001 for 12 bits at 3.3 V; the other computed."""
    step = volts / 2**bits
    assert step * 1e3 == pytest.approx(step_mv, rel=1e-5)
    assert quantisation(step) * 1e3 == pytest.approx(rms_mv, rel=1e-5)
    still = plateau_of(np.arange(100) * 0.01, np.full(100, 1.0), step=step)
    assert still.u * 1e3 == pytest.approx(rms_mv, rel=1e-5)


@pytest.mark.parametrize(
    ("scale", "counts", "value"),
    [
        (2.5e-6, 8000, 20e-3),  # INA226 (computed; the data sheet's table from memory)
        (2.5e-6, 19_200, 48e-3),  # INA236, SBOSA81D table 8-4
        (78.125e-9, 0x7FFFF, 40.96e-3),  # INA228, INA228-Q1 table 8-1: the finer of its ranges
        (195.3125e-6, 0x7FFFF, 102.4),  # its bus register, which the chip itself ends at 85 V
        (0.5 * 5 / 128 / 2**23, 1, 2.328306e-9),  # HX711, gain 128 at 5 V (formula from memory)
        (0.5 * 5 / 128 / 2**23, -1, -2.328306e-9),
        (0.5 * 5 / 128 / 2**23, -0x800000, -19.53125e-3),
        (0.5 * 5 / 64 / 2**23, -0x800000, -39.0625e-3),
        (0.5 * 5 / 32 / 2**23, -0x800000, -78.125e-3),
    ],
)
def test_more_registers_of_data_sheets(scale, counts, value):
    assert Line(scale).of(np.array([float(counts)]))[0] == pytest.approx(value, rel=3e-6)


def test_a_load_cell_by_a_known_weight():
    """2 mV/V of 50 kg at 5 V: 20 kg makes 0.8 mV/V, 4 mV (computed)."""
    newton_per_volt = 50 * STANDARD_GRAVITY / (2e-3 * 5)
    law = read_calibration("force_v", {"kind": "load_cell", "scale": newton_per_volt}).law
    assert law.of(np.array([0.8e-3 * 5])) == pytest.approx([20 * STANDARD_GRAVITY])
    assert read_calibration("force_v", {"kind": "load_cell"}).target == "force_n"


#: Data sheet HTM1505, page 3: 10 k, B25/100 = 3730; degC and ohm.
HTM1505 = [(-30, 144_790.0), (0, 30_029.0), (10, 18_959.0), (20, 12_280.0), (25, 10_000.0)]


def test_one_beta_is_not_for_near_freezing():
    """About 2.5 K at -30 degC is what the beta of the same sheet misses; four points and more do not."""
    by_beta = Thermistor.of_beta(3730.0, 10_000.0).of(np.array([144_790.0]))[0]
    assert by_beta + 30 == pytest.approx(2.5, abs=0.3)
    found = fit_thermistor([ThermistorPoint(degc, ohm) for degc, ohm in HTM1505])
    assert max(abs(left) for left in found.residuals) < 0.03


def test_beta_between_the_points_of_a_table():
    """Vishay document 29049 (10 k, 3977 K): the coefficients imply B25/85 = 3976.95."""
    found = fit_thermistor([ThermistorPoint(25, 10_000.0), ThermistorPoint(85, 1070.3)])
    assert found.constants["beta_k"] == pytest.approx(3976.95, rel=2e-5)
    assert found.constants["r25_ohm"] == pytest.approx(10_000.0)


def test_what_one_beta_misses_between_its_points_is_counted():
    """The same table at 40 and 60 degC: 39.76 and 59.69 by beta alone; known to 0.01 K, u holds that."""
    points = [ThermistorPoint(25, 10_000.0, 0.01), ThermistorPoint(85, 1070.3, 0.01)]
    found = fit_thermistor(points)
    missed = found.law.of(np.array([5330.5, 2490.3])) - [40, 60]
    assert missed == pytest.approx([-0.24, -0.31], abs=0.011)
    assert np.abs(missed).max() < 2 * found.u_kelvin


def test_the_printed_point_of_a_thermistor():
    """32.56 kohm at 0 degC is printed (Vishay 29049, 10-Oct-03), where its equation gives -0.011 degC."""
    law = fit_thermistor(
        [ThermistorPoint(0, 32_541.36), ThermistorPoint(25, 10_000.02), ThermistorPoint(50, 3605.79)]
    ).law
    assert law.of(np.array([32_560.0]))[0] == pytest.approx(-0.011, abs=0.002)


@pytest.mark.parametrize(("gate_s", "pulses", "step_rpm"), [(0.1, 1, 600.0), (0.1, 4, 150.0), (1.0, 1, 60.0)])
def test_what_a_gated_count_resolves(gate_s, pulses, step_rpm):
    """60 / (p gate) rpm: one count more or less (Instrumentation Reference Book, 3rd edition, p. 499)."""
    law = read_calibration("speed_hz", {"kind": "tachometer", "pulses_per_rev": pulses}).law
    assert law.sensitivity / gate_s == pytest.approx(step_rpm)


def test_a_weight_on_the_lever():
    """10 kg at 0.25 m: 24.5166 N.m (computed), named as a torque."""
    found = read_calibration("force_n", {"kind": "load_cell", "lever_arm_m": 0.25})
    assert found.target == "torque_nm"
    assert found.law.of(np.array([10 * STANDARD_GRAVITY]))[0] == pytest.approx(24.5166, rel=1e-5)


def test_a_saturated_bridge_converter_is_flagged():
    """HX711: 7FFFFFh is the end of its range (from memory), not 19.53 mV; calibrated or not."""
    full = Decimal(0x7FFFFF)
    cell = channel(
        quantity="force", unit="count", wire_type=WireType.I24, scale="1", range_low=-full, range_high=full
    )
    table = {"kind": "load_cell", "scale": 1e-4, "tare": 1000.0, "lever_arm_m": 0.25}
    decoder = BlockDecoder(
        [cell], 100_000_000, "sim:hand", {"force_count": read_calibration("force_count", table)}
    )
    rows = b"".join(count.to_bytes(3, "little", signed=True) for count in (1000, 0x7FFFFE, 0x7FFFFF))
    block = decoder.decode(0, 0, [(Samples(7, 0, 0, 3, rows), 0)])
    assert block.columns["torque_nm"][0] == 0.0
    assert block.clipped["torque_nm"].tolist() == [False, False, True]
    assert decoder.steps == {"torque_nm": pytest.approx(0.25e-4)}
