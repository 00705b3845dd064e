"""The rig as it is written and measured: parts with their own uncertainty, date, reference."""

import numpy as np
import pytest

from capture.calibration.leads import Rig, resistor_of_drop
from capture.calibration.mending import mended_rig
from capture.calibration.written import read_logger


def rig_of(**table):
    return read_logger("bench", {"rig": table}).rig


def test_parts_that_were_measured_have_their_own_uncertainty():
    rig = rig_of(fuse_mohm=1.31, fuse_u_mohm=0.02, shunt_mohm=0.5, date="2026-11-29", reference="four wires")
    by_name = {part.name: part for part in rig.parts}
    assert by_name["fuse"].u_ohm == pytest.approx(0.02e-3)
    assert by_name["shunt"].u_ohm == pytest.approx(0.05e-3)  # a tenth, assumed
    assert rig.u_ohm == pytest.approx(np.hypot(0.02e-3, 0.05e-3))
    assert Rig.from_json(rig.as_json()) == rig
    assert (rig.as_json()["date"], rig.as_json()["reference"]) == ("2026-11-29", "four wires")


def test_leads_by_measurement_or_by_gauge_and_length():
    assert rig_of(leads_mohm=5.3, leads_u_mohm=0.1).ohm == pytest.approx(5.3e-3)
    assert rig_of(lead_awg=12, lead_length_m=0.5).ohm == pytest.approx(5.211e-3, rel=1e-3)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"leads_mohm": 5.3, "lead_length_m": 1, "lead_awg": 12}, "say the same"),
        ({"fuse_u_mohm": 0.1}, "needs fuse_mohm"),
        ({"fuse_mohm": -1.0}, "must not be below 0"),
        ({"fuse_mohm": float("nan")}, "is no number"),
        ({"lead_length_m": -1.0, "lead_awg": 12}, "must be above 0"),
        ({"lead_length_m": 1.0, "lead_awg": 1e9}, "does not lie between -3"),
        ({"lead_length_m": 1.0, "lead_awg": -1e9}, "does not lie between -3"),
        ({"lead_length_m": 1.0, "lead_mm2": 1e-320}, "lead_mm2 is too small"),
        ({"lead_length_m": 1.0, "lead_awg": 12, "lead_temperature_degc": -300}, "must not be below -60"),
    ],
)
def test_what_is_no_rig_is_said(table, words):
    with pytest.raises(ValueError, match=words):
        rig_of(**table)


def test_a_part_from_its_drop():
    """0.052 V at 40 A is 1.3 mohm; 0.5 % and 1 % make 1.118 % of it."""
    found = resistor_of_drop("fuse", (0.052, 0.00026), (40.0, 0.4))
    assert found.ohm == pytest.approx(1.3e-3)
    assert found.u_ohm == pytest.approx(1.3e-3 * 0.01118, rel=1e-3)


def test_a_mended_rig_keeps_what_was_not_mended():
    told = rig_of(fuse_mohm=1.31, fuse_u_mohm=0.02, lead_awg=12, lead_length_m=0.5).as_json()
    rig, old = mended_rig(told, {"lead_length_m": 1.0})
    assert old == told["constants"]
    by_name = {part.name: part for part in rig.parts}
    assert by_name["leads, to and fro"].ohm == pytest.approx(2 * 5.211e-3, rel=1e-3)
    assert by_name["fuse"].u_ohm == pytest.approx(0.02e-3)


def test_a_mended_part_loses_the_uncertainty_that_was_measured_of_the_old_value():
    told = rig_of(fuse_mohm=13.1, fuse_u_mohm=0.02).as_json()
    (fuse,) = mended_rig(told, {"fuse_mohm": 1.31})[0].parts
    assert fuse.u_ohm == pytest.approx(0.131e-3)
    (fuse,) = mended_rig(told, {"fuse_mohm": 1.31, "fuse_u_mohm": 0.05})[0].parts
    assert fuse.u_ohm == pytest.approx(0.05e-3)


def test_measured_leads_take_the_place_of_gauge_and_length():
    told = rig_of(lead_awg=12, lead_length_m=0.5).as_json()
    assert mended_rig(told, {"leads_mohm": 6.0})[0].ohm == pytest.approx(6e-3)
    assert mended_rig(None, {"leads_mohm": 6.0})[0].ohm == pytest.approx(6e-3)


def test_an_older_recording_tells_its_parts_alone():
    told = rig_of(fuse_mohm=1.31, lead_awg=12, lead_length_m=0.5, voltage_sensed_at="tool").as_json()
    del told["constants"]
    rig, old = mended_rig(told, {"fuse_mohm": 2.0})
    assert rig.ohm == pytest.approx(2e-3 + 5.211e-3, rel=1e-3)
    assert rig.sensed_at == "tool"
    assert old["fuse_mohm"] == pytest.approx(1.31)


@pytest.mark.parametrize(
    ("volts", "amperes", "words"),
    [
        ((0.05, 0.0), (0.0, 0.0), "not told from none"),
        ((0.05, 0.0), (0.05, 0.02), "not told from none"),
        ((-0.05, 0.0), (40.0, 0.1), "against the current"),
    ],
)
def test_a_drop_that_is_no_resistance(volts, amperes, words):
    with pytest.raises(ValueError, match=words):
        resistor_of_drop("fuse", volts, amperes)
