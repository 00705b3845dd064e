"""Each caution on a run that gives reason for it and on one that does not."""

from dataclasses import replace

import numpy as np
import pytest
from fold_blocks import after_gap, block_of, divided

from capture.cautions.all_of_them import CAUTIONS, cautions
from capture.cautions.facts import Facts
from capture.cautions.of_card import over_current
from capture.cautions.of_pack import broken_thermometer, cold, hot_start, not_full, not_rested
from capture.cautions.of_samples import clipped, gap_in_a_cut, lost, too_slow_for_ripple
from capture.cautions.of_tool import miscounted_speed, torque_in_blows
from capture.cautions.of_wiring import (
    assumed,
    behind_leads,
    groups_do_not_sum,
    never_idle,
    no_zero,
    skewed,
    wrong_sign,
)
from capture.figure_uncertainty import run_uncertainty, with_uncertainties
from capture.folds.run import RunFolds
from capture.run_card import RunCard

INTERVAL_US = 10_000
ROWS = 7000  # 70 s
RESISTANCE_OHM = 0.05
DIVISORS = {"pack_temperature_degc": 100, **{f"group_{number}_v": 10 for number in range(1, 11)}}
UNITS = {"a": "A", "v": "V", "rpm": "1/min", "degc": "Cel"}


def readings(seed=1, **changes):
    """Return the columns of a good run: 5 s of rest, then two cuts of 20 s, full and at 23 degC."""
    random = np.random.default_rng(seed)
    t = np.arange(ROWS) * INTERVAL_US * 1e-6
    cutting = ((t >= 5) & (t < 25)) | ((t >= 40) & (t < 60))
    current = np.where(cutting, 25 + 5 * np.sin(3 * t), 0.0)
    drawn = np.cumsum(current) * INTERVAL_US * 1e-6
    voltage = 41.8 - 2e-4 * drawn - RESISTANCE_OHM * current
    columns = {
        "current_a": current + random.normal(0, 0.03, ROWS),
        "voltage_v": voltage + random.normal(0, 0.003, ROWS),
        "pack_temperature_degc": divided(23.0 + t / 20, 100),
        **{f"group_{number}_v": divided(voltage / 10, 10) for number in range(1, 11)},
    }
    for name, change in changes.items():
        columns[name] = change(columns[name])
    return columns


def document(columns, *, scale="0.001", **channel):
    """Return what a recording says of such columns; `channel` changes the rows of the channel table."""
    told = {"scale": scale, "wire_type": "i24", "statistic": "mean", "window_us": INTERVAL_US}
    told |= {"delay_us": 5000, "sensed_at": "pack terminals"} | channel
    return {
        "logger": {"interval_ns": INTERVAL_US * 1000},
        "channels": [
            {"column": name, "unit": UNITS[name.rsplit("_", 1)[1]], "divisor": DIVISORS.get(name, 1), **told}
            for name in columns
        ],
        "interrupted": False,
        "ended": "the planned time was over",
        "lost_samples": 0,
        "gaps": [],
        "clipped": {},
    }


def facts(columns=None, card=None, told=None, cut_out=None):
    """Return the facts of a run of `columns`; the rows of the slice `cut_out` are lost."""
    columns = readings() if columns is None else columns
    whole = block_of(interval_us=INTERVAL_US, **columns)
    blocks = [whole]
    if cut_out is not None:
        blocks = [whole.part(0, cut_out.start), after_gap(whole.part(cut_out.stop, ROWS))]
    folds = RunFolds(divisors=DIVISORS)
    folds.feed(blocks)
    figures, told = folds.figures(), told or document(columns)
    known = run_uncertainty(figures, told)
    figures = with_uncertainties(figures, known)
    return Facts(told, card or RunCard(series=10), frozenset(columns), figures, known)


GOOD = facts()


def lines(caution, of):
    return list(caution(of))


def test_of_a_good_run_there_is_only_said_what_is_assumed():
    """Whatever else a caution says here would be a false alarm."""
    assert list(cautions(GOOD)) == lines(assumed, GOOD)


def test_what_is_assumed_is_said_until_it_was_measured():
    (line,) = lines(assumed, GOOD)
    assert line.startswith("not calibrated, so u is assumed of a hobby logger: current 1 % and 0.02 A; ")
    assert "voltage, groups 0.5 % and 0.005 V" in line
    assert line.endswith("pack temperature alike")
    calibration = {"column": "current_a", "scale": 1.0, "offset": 0.0, "u_scale": 0.002, "u_offset": 0.003}
    calibrated = facts(told={**document(readings()), "calibrations": [calibration]})
    assert not any("current" in line for line in lines(assumed, calibrated))
    assert calibrated.figures.charge.u < GOOD.figures.charge.u / 4


def test_a_short_rest():
    late = {name: column[400:] for name, column in readings().items()}  # 1 s before the first load
    assert lines(not_rested, facts(late)) == [
        "the pack rested only 1.0 s in the recording before the first load"
    ]
    loaded = {name: column[700:] for name, column in readings().items()}
    assert lines(not_rested, facts(loaded))[0].startswith("no rest before the first load")


@pytest.mark.parametrize(
    ("card", "lower_v", "warned"),
    [
        (RunCard(series=10), 0.0, False),
        (RunCard(series=10), 2.0, True),  # 3.98 V a group
        (RunCard(series=10, chemistry="nmc"), 0.7, False),  # 4.11 V
        (RunCard(series=10, chemistry="nmc"), 0.9, False),  # 4.09 V, but that is within u
        (RunCard(series=12, chemistry="lfp"), 0.0, False),  # 3.48 V
        (RunCard(series=13, chemistry="LFP"), 0.0, True),  # 3.22 V
        (RunCard(series=13, chemistry="nimh"), 0.0, False),  # nothing known of it
        (RunCard(), 5.0, False),  # nobody knows of how many groups
    ],
)
def test_a_pack_that_was_not_full(card, lower_v, warned):
    told = lines(not_full, facts(readings(voltage_v=lambda volts: volts - lower_v), card))
    assert bool(told) is warned


def test_cold_and_warm_packs():
    """Below 10 degC, above 35 degC, or 8 K over what is around it."""

    def with_temperature(add, **card):
        columns = readings(pack_temperature_degc=lambda degc: degc + add)
        return facts(columns, RunCard(series=10, **card))

    assert lines(cold, with_temperature(-15))[0].startswith("cold: the pack had 8 °C")
    assert lines(cold, with_temperature(-12.5)) == []
    assert lines(hot_start, with_temperature(13))[0].startswith("hot start: the pack was never below 36 °C")
    assert lines(hot_start, with_temperature(11)) == []
    warm = lines(hot_start, with_temperature(0, ambient_degc=12.0))
    assert warm[0].startswith("warm start: the pack was never below 23 °C with 12 °C around it")
    assert lines(hot_start, with_temperature(0, ambient_degc=16.0)) == []
    without = {name: column for name, column in readings().items() if "temperature" not in name}
    assert lines(cold, facts(without, RunCard(ambient_degc=4.0)))[0].startswith("cold: it was 4 °C around")
    assert lines(cold, facts(without, RunCard(ambient_degc=14.0))) == []


def test_an_open_and_a_stuck_thermometer():
    """A thermometer whose steps are coarse may well stand still."""
    opened = facts(readings(pack_temperature_degc=lambda degc: np.where(np.isnan(degc), degc, -127.0)))
    assert lines(broken_thermometer, opened)[0].startswith("pack_temperature_degc read -127 °C: the sensor")
    assert lines(cold, opened) == []
    still = readings(pack_temperature_degc=lambda degc: np.where(np.isnan(degc), degc, 23.0))
    assert "stood at 23.00 °C throughout" in lines(broken_thermometer, facts(still))[0]
    coarse = facts(still, told=document(still, scale="0.5"))
    assert lines(broken_thermometer, coarse) == []


def test_the_current_of_the_wrong_sign():
    turned = facts(readings(current_a=lambda amperes: -amperes))
    assert lines(wrong_sign, turned)[0].startswith("voltage rises when current does")
    charged = readings(current_a=lambda amperes: amperes * 0 - 0.6, voltage_v=lambda volts: volts * 0 + 41.0)
    assert lines(wrong_sign, facts(charged))[0].startswith("more charge came back")
    idle = np.random.default_rng(3).normal(0, 0.03, ROWS)
    resting = readings(current_a=lambda _: idle, voltage_v=lambda volts: volts * 0 + 41.0)
    assert lines(wrong_sign, facts(resting)) == []


@pytest.mark.parametrize(("offset_a", "warned"), [(0.0, False), (0.03, False), (0.06, True), (-0.06, True)])
def test_a_current_without_a_zero(offset_a, warned):
    """0.02 A is what is assumed of a hobby shunt: twice that is still no wonder."""
    told = lines(no_zero, facts(readings(current_a=lambda amperes: amperes + offset_a)))
    assert bool(told) is warned


def test_channels_that_stand_for_different_moments():
    """What the run shows, and what the logger says of itself."""
    late = facts(readings(voltage_v=lambda volts: np.concatenate([volts[:1], volts[:-1]])))
    assert lines(skewed, late)[0].startswith("voltage follows current 1 sample late")
    early = facts(readings(current_a=lambda amperes: np.concatenate([amperes[:2] * 0, amperes[:-2]])))
    assert lines(skewed, early)[0].startswith("current follows voltage 2 samples late")
    told = document(readings())
    told["channels"][0]["delay_us"] = 11_000
    assert "sampled 6.0 ms apart" in lines(skewed, facts(told=told))[0]
    told["channels"][0]["delay_us"] = 9_000
    assert lines(skewed, facts(told=told)) == []


def test_voltage_behind_leads():
    def sensed(where="", wiring=None):
        told = document(readings(), sensed_at=where)
        return lines(behind_leads, replace(GOOD, document=told, card=RunCard(wiring=wiring)))

    assert sensed("pack terminals") == sensed("balance tap") == sensed() == []
    assert sensed("terminals") == sensed("pack end of the leads") == []
    assert sensed("tool terminals")[0].startswith("voltage is sensed at tool terminals, not at the pack")
    assert sensed("", "voltage at the far end of 2 m leads")[0].startswith("voltage may be sensed behind")
    assert sensed("", "voltage at the blades") == []
    assert sensed("", "2 m leads") == []  # says nothing of where the voltage is sensed


def test_groups_that_do_not_make_the_pack():
    loose = facts(readings(group_4_v=lambda volts: volts - 1.2))
    assert lines(groups_do_not_sum, loose)[0].startswith("the groups add up to 39.78 V")
    assert lines(groups_do_not_sum, facts(readings(group_4_v=lambda volts: volts - 0.3))) == []
    missing = {name: column for name, column in readings().items() if name != "group_4_v"}
    assert lines(groups_do_not_sum, facts(missing)) == []  # not all groups are tapped: nothing to sum


def test_a_ripple_that_is_sampled_too_slowly():
    """Only where a sample stands for an instant: the mean over the interval has the ripple in it."""
    random = np.random.default_rng(5)
    rippled = readings(current_a=lambda amperes: amperes * (1 + 0.4 * random.standard_normal(ROWS)))
    instants = {"statistic": "instantaneous", "window_us": 0}
    told = lines(too_slow_for_ripple, facts(rippled, told=document(rippled, **instants)))
    assert told[0].startswith("current scatters by 1")
    assert lines(too_slow_for_ripple, facts(rippled)) == []
    assert lines(too_slow_for_ripple, facts(told=document(readings(), **instants))) == []


def test_a_gap_in_a_cut_and_what_it_hides():
    """Half a second at 25 A: 0.0035 Ah and, at 40 V, 0.14 Wh; the uncertainty grows by as much."""
    gappy = facts(cut_out=slice(4500, 4550))
    told = {**gappy.document, "lost_samples": 50, "gaps": [{}]}
    assert lines(gap_in_a_cut, gappy) != []
    hidden = lines(lost, replace(gappy, document=told))[1]
    assert hidden.startswith("0.51 s are not covered: if the work went on as beside them they hide 0.00")
    assert gappy.figures.charge.u > GOOD.figures.charge.u
    rest = facts(cut_out=slice(3000, 3050))
    assert lines(gap_in_a_cut, rest) == []
    assert rest.figures.exposure.hidden_c < 0.1
    assert lines(gap_in_a_cut, GOOD) == lines(lost, GOOD) == []


def test_clipped_samples():
    accounting = replace(GOOD.figures.accounting, clipped=3)
    told = {**GOOD.document, "clipped": {"current_a": []}}
    marked = replace(GOOD, figures=replace(GOOD.figures, accounting=accounting), document=told)
    assert lines(clipped, marked) == ["3 samples are clipped (current_a): peaks there are lower bounds"]
    assert lines(clipped, GOOD) == []


def test_a_mean_current_over_the_limit():
    assert lines(over_current, replace(GOOD, card=RunCard(max_current_a=20.0))) != []
    assert lines(over_current, replace(GOOD, card=RunCard(max_current_a=30.0))) == []


def test_each_caution_says_in_its_first_line_what_it_yields():
    """The list is what the summary asks: nothing is in it twice."""
    assert len(set(CAUTIONS)) == len(CAUTIONS)
    assert all(caution.__doc__.startswith("Yield") for caution in CAUTIONS)


def test_a_tachometer_that_counts_double_or_half_is_named():
    card = RunCard(series=10, no_load_speed_rpm=4200.0)

    def turning(rpm):
        return facts({**readings(), "speed_rpm": np.full(ROWS, float(rpm))}, card=card)

    assert lines(miscounted_speed, turning(4100)) == []
    assert lines(miscounted_speed, turning(3000)) == []
    assert "2 times the 4200 rpm" in lines(miscounted_speed, turning(8300))[0]
    assert "1/2 of the 4200 rpm" in lines(miscounted_speed, turning(2080))[0]
    assert "1/3 of the 4200 rpm" in lines(miscounted_speed, turning(1390))[0]
    assert lines(miscounted_speed, GOOD) == []


def test_the_torque_of_an_impact_tool_is_no_torque():
    turned = {**readings(), "torque_nm": np.full(ROWS, 12.0)}
    told = document(readings())
    card = RunCard(series=10, tool_kind="Impact")
    assert "blows" in lines(torque_in_blows, facts(turned, card, told))[0]
    assert lines(torque_in_blows, facts(turned, RunCard(series=10), told)) == []
    assert lines(torque_in_blows, facts(card=card)) == []


def test_a_current_that_never_comes_near_zero_wants_a_zero():
    off = facts(readings(current_a=lambda current: current + 2.0))
    assert "never came near zero" in lines(never_idle, off)[0]
    assert off.figures.cuts == 2
    assert lines(never_idle, GOOD) == []
