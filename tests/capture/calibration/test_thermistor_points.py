"""Known temperatures make beta or Steinhart-Hart, with an uncertainty that covers what it should."""

import numpy as np
import pytest

from capture.calibration.laws import Thermistor
from capture.calibration.thermistor_points import ThermistorPoint, fit_thermistor

#: A thermistor of 10 k whose law is known.
TRUE = Thermistor(1.1353374e-3, 2.3286099e-4, 9.464739e-8)


def points_at(*degc, u_degc=0.0, u_ohm=0.0):
    ohms = TRUE.given_at(np.array(degc, float)).tolist()
    return [ThermistorPoint(float(t), ohm, u_degc, u_ohm * ohm) for t, ohm in zip(degc, ohms, strict=True)]


def test_two_points_make_the_beta_between_them():
    found = fit_thermistor(points_at(25, 85))
    cold, hot = points_at(25, 85)
    by_definition = np.log(cold.ohm / hot.ohm) / (1 / 298.15 - 1 / 358.15)
    assert found.constants["beta_k"] == pytest.approx(by_definition, rel=1e-9)
    assert found.constants["r25_ohm"] == pytest.approx(cold.ohm, rel=1e-9)
    assert found.u_kelvin is None


def test_three_points_meet_the_law_they_came_from():
    found = fit_thermistor(points_at(0, 25, 60))
    assert found.constants["steinhart_hart"] == pytest.approx([TRUE.a, TRUE.b, TRUE.c], rel=1e-6)
    assert found.residuals == pytest.approx((0, 0, 0), abs=1e-9)


@pytest.mark.parametrize("degc", [(5, 50), (0, 25, 60), (0, 15, 30, 45, 60)], ids=["two", "three", "five"])
def test_intervals_cover_the_truth(degc):
    """400 calibrations by a thermometer of 0.2 K and an ohmmeter of 0.3 %: at least 92 % within 2 u."""
    random = np.random.default_rng(len(degc))
    at = TRUE.given_at(np.linspace(min(degc), max(degc), 9))
    inside = []
    for _ in range(400):
        points = [
            ThermistorPoint(
                true.degc + 0.2 * random.standard_normal(),
                true.ohm * (1 + 0.003 * random.standard_normal()),
                0.2,
                0.003 * true.ohm,
            )
            for true in points_at(*degc)
        ]
        found = fit_thermistor(points)
        inside.append(np.abs(found.law.of(at) - TRUE.of(at)) <= 1.96 * found.u_kelvin)
    share = np.mean(inside, axis=0)
    assert (share >= 0.92).all()  # u is that of the worst place between the points
    assert share.min() <= 0.995


def test_the_scatter_of_many_points_counts_where_nothing_else_is_known():
    found = []
    for seed in range(50):
        random = np.random.default_rng(seed)
        points = [
            ThermistorPoint(point.degc + 0.5 * random.standard_normal(), point.ohm)
            for point in points_at(*range(0, 61, 5))
        ]
        found.append(fit_thermistor(points).u_kelvin)
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(0.5, rel=0.1)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([(25, 1e4)], "two known temperatures at least"),
        ([(25, 1e4), (25, 9e3)], "temperatures are the same"),
        ([(25, 1e4), (50, 1e4)], "resistances are the same"),
        ([(25, 1e4), (50, -1.0)], "must be above 0 ohm"),
        ([(25, 1e4), (-300, 1e9)], "below absolute zero"),
        ([(25, 1e4), (50, 2e4)], "does not fall"),
        ([(25, 1e4), (50, 2e4), (75, 4e4)], "does not fall"),
        ([(25, 1e4), (50, 3e3), (25, 1e4)], "temperatures are the same"),
    ],
)
def test_what_makes_no_law_is_said(points, words):
    with pytest.raises(ValueError, match=words):
        fit_thermistor([ThermistorPoint(*point) for point in points])
