"""What the sensors make of the truth: clipping, gain and offset, noise, and a tachometer that never holds."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.model.life import Life
from capture.model.pack import PACKS
from capture.model.rig import VirtualRig
from capture.model.scenario import Imperfection, Scenario
from capture.model.sensors import QUANTITIES, SENSORS, SensorBoard, rows_of
from capture.model.tachometer import Tachometer
from firmware_protocol.layout import RowLayout

STEP_S = 0.002


def lived_by(samples=6000, **choices):
    """Return true waveforms by quantity, and counts (sensors, samples)."""
    lived = list(VirtualRig(PACKS["heron"], 1, **choices).lived(0, samples))
    counts = np.concatenate([part.counts for part in lived], axis=1)
    true = {
        "current": np.concatenate([part.truth.current_a for part in lived]),
        "voltage": np.concatenate([part.truth.voltage_v for part in lived]),
        "speed": np.concatenate([part.truth.speed_rad_per_s for part in lived]) * 60 / (2 * np.pi),
        "force": np.concatenate([part.truth.force_n for part in lived]),
        "pack_temperature": np.concatenate([part.truth.pack_temperature_degc for part in lived]),
    }
    return true, counts


def test_readings_scatter_about_the_truth():
    """The mean error of each mean channel is within four standard errors of zero, its spread as stated."""
    true, counts = lived_by()
    for quantity in ("current", "voltage", "force", "pack_temperature"):
        number = QUANTITIES.index(quantity)
        sensor = SENSORS[number]
        error = counts[number] * float(sensor.channel.scale) - true[quantity]
        assert abs(error.mean()) < 4 * sensor.noise / np.sqrt(error.size)
        assert error.std() == pytest.approx(
            np.hypot(sensor.noise, float(sensor.channel.scale) / 12**0.5), rel=0.05
        )


def test_gain_and_offset_are_asked_for():
    """A shunt taken 2 % too low and a divider 0.1 V off read just that wrong, with the same noise."""
    wrong = {"current": Imperfection(gain=0.02), "voltage": Imperfection(offset=0.1)}
    true, sound = lived_by()
    _, faulty = lived_by(imperfections=wrong)
    np.testing.assert_allclose((faulty[0] - sound[0]) * 0.005, 0.02 * true["current"], atol=0.0051)
    np.testing.assert_allclose((faulty[1] - sound[1]) * 0.00125, 0.1, atol=0.0013)
    np.testing.assert_array_equal(faulty[2:], sound[2:])


def test_a_reading_beyond_the_range_stays_at_its_end():
    """A current that reads above 160 A gives the last count of the range, and no other."""
    _, counts = lived_by(2000, imperfections={"current": Imperfection(gain=2.0)})
    assert counts[0].max() == 32000
    assert (counts[0] == 32000).sum() > 5
    _, counts = lived_by(100, imperfections={"voltage": Imperfection(offset=-50.0)})
    assert np.all(counts[1] == 0)


def test_no_reading_is_the_code_for_none():
    """Counts stay inside what their wire type can say."""
    for sensor in SENSORS:
        channel = sensor.channel
        assert channel.range_low <= channel.range_high
        assert sensor.highest_count in range(2**23)
    stretch = next(Life(Scenario(PACKS["heron"], 1)))
    board = SensorBoard(Scenario(PACKS["heron"], 1))
    huge = replace(stretch, force_n=np.full(100, -1e9), group_v=np.full((10, 100), 1e9))
    counts = board.counts(huge)
    assert np.all(counts[QUANTITIES.index("force")] == -8_000_000)
    assert np.all(counts[QUANTITIES.index("group_1")] == 5000)


@given(first=st.integers(0, 4000), count=st.integers(1, 60))
@settings(max_examples=30, deadline=None)
def test_rows_have_the_length_that_the_layout_asks_for(first, count):
    """Each channel lies in the rows that its divisor divides, and in no other (SPEC 4.9)."""
    counts = np.arange(len(SENSORS) * count).reshape(len(SENSORS), count)
    layout = RowLayout.of([sensor.channel for sensor in SENSORS])
    assert len(rows_of(counts, first)) == layout.rows_bytes(first, count)


def readings_of(speed_rpm, chunk=100):
    tachometer = Tachometer()
    return np.concatenate(
        [
            tachometer.readings(speed_rpm[at : at + chunk] * 2 * np.pi / 60, at * STEP_S, STEP_S)
            for at in range(0, len(speed_rpm), chunk)
        ]
    )


@pytest.mark.parametrize("rpm", [300.0, 1234.5, 4200.0])
def test_a_steady_speed_is_read_from_the_period(rpm):
    """After the second pulse the reading is the speed, as well as a timer of 1 us knows the period."""
    readings = readings_of(np.full(1000, rpm))
    period_s = 60 / (2 * rpm)
    np.testing.assert_allclose(readings[round(2 * period_s / STEP_S) + 2 :], rpm, rtol=1.1e-6 / period_s)
    assert np.all(readings[: round(period_s / STEP_S) - 1] == 0.0)


@given(stop=st.integers(300, 500), rpm=st.floats(500.0, 5000.0))
@settings(max_examples=40, deadline=None)
def test_a_tachometer_never_holds(stop, rpm):
    """When the shaft stops dead the reading falls below 60 / (2 age) and is zero within half a second."""
    speed = np.full(1000, rpm)
    speed[stop:] = 0.0
    readings = readings_of(speed)
    age_s = (np.arange(1000) - stop) * STEP_S  # the last pulse is older than that
    later = age_s > 0
    assert np.all(readings[later] <= 30.0 / age_s[later] * (1 + 1e-9))
    assert np.all(readings[age_s >= 0.5] == 0.0)
    assert np.all(np.diff(readings[stop:]) <= 0.0)


@given(chunk=st.integers(1, 400))
@settings(max_examples=20, deadline=None)
def test_pulses_do_not_depend_on_how_time_is_cut(chunk):
    """Readings are the same for any chunks, up to the timer's resolution."""
    speed = 2000 + 1500 * np.sin(np.arange(1500) / 150)
    np.testing.assert_allclose(readings_of(speed, chunk), readings_of(speed, 1500), rtol=3e-4)


def test_the_speed_channel_follows_the_saw():
    """While the saw runs the reading is within 4 % of the truth, at rest it is zero."""
    true, counts = lived_by()
    number = QUANTITIES.index("speed")
    running = (np.arange(6000) > 2000) & (np.arange(6000) < 3500)
    np.testing.assert_allclose(counts[number][running], true["speed"][running], rtol=0.04)
    assert np.all(counts[number][:1490] == 0)
