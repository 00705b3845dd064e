"""Readings that were typed from gauges, as measures."""

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.studies.typed_measures import typed_measures


def reading(value, unit="bar", quantity="pressure", resolution=None, t_s=None):
    return {"quantity": quantity, "value": value, "unit": unit, "resolution": resolution, "t_s": t_s}


def test_repeats_are_one_measure_with_their_scatter_and_the_gauges_step():
    readings = [
        reading(value, resolution=5.0, t_s=at) for value, at in [(575.0, 4), (580.0, 12), (585.0, 25)]
    ]
    (measure,) = typed_measures(readings, [3.0, 11.0, 19.0])
    assert measure.figure.value == pytest.approx(580.0)
    assert measure.figure.u == pytest.approx(math.hypot(5 / 3**0.5, 5 / 12**0.5))
    assert (measure.readings, measure.cuts) == (3, (1, 2, 3))


def test_units_of_one_kind_become_the_first():
    """1 MPa is 10 bar (SI), 1 psi 6894.757 Pa (NIST SP 811)."""
    (measure,) = typed_measures([reading(580.0), reading(57.0, "MPa"), reading(8000.0, "psi")], [])
    values = [580.0, 570.0, 8000 * 6894.757293168362 / 1e5]
    assert measure.figure.value == pytest.approx(statistics.fmean(values))
    assert measure.figure.unit == "bar"


def test_degrees_are_not_scaled_by_their_zero():
    """50 degF are 10 degC (NIST SP 811); a step of 1.8 degF is one of 1 K."""
    (measure,) = typed_measures([reading(10.0, "degC", "air"), reading(50.0, "degF", "air", 1.8)], [])
    assert measure.figure.value == pytest.approx(10.0)
    assert measure.figure.u == pytest.approx(1 / 12**0.5)


def test_a_pressure_on_a_piston_is_also_a_force():
    pressure, force = typed_measures([reading(600.0, resolution=10.0)], [], piston_area_mm2=491.0)
    assert pressure.figure.unit == "bar"
    assert force.quantity == "force by pressure"
    assert force.figure.value == pytest.approx(29_460.0)
    assert force.figure.u == pytest.approx(491.0 / 12**0.5)


def test_what_nothing_tells_has_no_uncertainty():
    alone, twice = typed_measures([reading(3.0, "1", "crimps"), reading(5.0), reading(5.0)], [])
    assert alone.figure.u is None
    assert twice.figure.u is None
    assert alone.cuts == (None,)


def test_units_that_nobody_knows_stay_apart():
    told = typed_measures([reading(3.0, "turns"), reading(4.0, "flights"), reading(5.0, "turns")], [])
    assert [(measure.figure.value, measure.figure.unit) for measure in told] == [
        (4.0, "turns"),
        (4.0, "flights"),
    ]


@given(
    st.lists(
        st.tuples(st.floats(-1e12, 1e12), st.text(min_size=1, max_size=5), st.none() | st.floats(1e-9, 1e9)),
        max_size=6,
    )
)
def test_every_reading_counts_once(rows):
    readings = [reading(value, unit, resolution=step) for value, unit, step in rows]
    told = typed_measures(readings, [])
    assert sum(measure.readings for measure in told) == len(rows)
    assert all(math.isfinite(measure.figure.value) for measure in told)
