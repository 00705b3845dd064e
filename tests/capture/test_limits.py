"""Limits of the run card: what passes them is an alarm, for as long as somebody needs to look up."""

import pytest

from capture.engine.limits import HOLD_S, LimitWatch
from capture.pack_limits import AlarmKind
from capture.run_card import RunCard

CARD = RunCard(series=10, cutoff_v=28.0, max_current_a=60.0, max_temperature_degc=70.0)
KEPT = {
    "voltage_v": 28.0,
    "current_a": 60.0,
    "group_1_v": 2.8,
    "group_10_v": 4.1,
    "pack_temperature_degc": 70.0,
    "motor_temperature_degc": 95.0,
    "speed_rpm": None,
}


def kinds(alarms):
    return {(alarm.kind, alarm.where) for alarm in alarms}


def test_a_limit_that_is_just_kept_is_no_alarm():
    assert LimitWatch().alarms(KEPT, CARD, 0.0) == ()


@pytest.mark.parametrize(
    ("column", "value", "kind", "where", "limit"),
    [
        ("voltage_v", 27.9, AlarmKind.VOLTAGE_LOW, "voltage", 28.0),
        ("group_10_v", 2.7, AlarmKind.GROUP_LOW, "group_10", 2.8),
        ("current_a", 60.1, AlarmKind.CURRENT_HIGH, "current", 60.0),
        ("pack_temperature_degc", 70.5, AlarmKind.TEMPERATURE_HIGH, "pack_temperature", 70.0),
    ],
)
def test_what_passes_its_limit_is_named(column, value, kind, where, limit):
    (alarm,) = LimitWatch().alarms({**KEPT, column: value}, CARD, 0.0)
    assert (alarm.kind, alarm.where, alarm.value, alarm.limit) == (kind, where, value, pytest.approx(limit))


def test_a_pack_that_is_not_there_is_no_alarm():
    """Between two runs the pack is out, and the terminals read next to nothing."""
    out = {"voltage_v": 0.3, "group_1_v": 0.02, "group_2_v": -0.01, "current_a": 0.0}
    assert LimitWatch().alarms(out, CARD, 0.0) == ()


def test_without_limits_nothing_is_an_alarm():
    worst = {"voltage_v": 0.0, "current_a": 500.0, "group_1_v": 0.1, "pack_temperature_degc": 120.0}
    assert LimitWatch().alarms(worst, RunCard(), 0.0) == ()


def test_an_alarm_stands_for_a_while_with_the_worst_that_was_read():
    watch = LimitWatch()
    watch.alarms({"current_a": 65.0}, CARD, 0.0)
    watch.alarms({"current_a": 80.0}, CARD, 0.1)
    (alarm,) = watch.alarms({"current_a": 61.0}, CARD, 0.2)
    assert alarm.value == 80.0
    (alarm,) = watch.alarms({"current_a": 5.0}, CARD, 0.1 + HOLD_S)
    assert alarm.value == 80.0
    assert watch.alarms({"current_a": 5.0}, CARD, 0.2 + HOLD_S) == ()
    (alarm,) = watch.alarms({"current_a": 62.0}, CARD, 60.0)
    assert alarm.value == 62.0, "a new alarm knows nothing of the last one"


def test_two_limits_are_two_alarms():
    passed = {"current_a": 90.0, "group_3_v": 2.0, "group_7_v": 2.1}
    assert kinds(LimitWatch().alarms(passed, CARD, 0.0)) == {
        (AlarmKind.CURRENT_HIGH, "current"),
        (AlarmKind.GROUP_LOW, "group_3"),
        (AlarmKind.GROUP_LOW, "group_7"),
    }
