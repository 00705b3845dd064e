"""Scale and offset from known values, with uncertainties that cover what they should."""

import numpy as np
import pytest

from capture.calibration.span import KnownPoint, fit_span


def test_one_point_is_a_zero():
    found = fit_span([KnownPoint(0.0, 0.31, 0.0, 0.004)])
    assert (found.scale, found.offset) == (1.0, -0.31)
    assert found.u_offset == pytest.approx(0.004)
    assert found.u_scale == 0.0


def test_two_points_set_both():
    found = fit_span([KnownPoint(0.0, 0.3, 0.0, 0.01), KnownPoint(20.0, 20.5, 0.1, 0.01)])
    assert found.scale == pytest.approx(20 / 20.2)
    assert found.offset == pytest.approx(-0.3 * 20 / 20.2)
    u = np.hypot(np.hypot(0.1, 0.0099), 0.0099) / 20.2
    assert found.u_scale == pytest.approx(u, rel=0.01)
    assert -1 <= found.correlation <= 0


def test_the_gain_that_all_references_share_is_never_averaged_away():
    many = [KnownPoint(float(value), float(value), 0.001, 0.001) for value in range(1, 200)]
    assert fit_span(many).u_scale < 1e-4
    assert fit_span(many, reference_gain=0.01).u_scale == pytest.approx(0.01, rel=0.01)


@pytest.mark.parametrize("count", [2, 3, 6])
def test_intervals_cover_the_truth(count):
    """Of 1000 calibrations with a meter whose gain is off, 92 to 98 % have the true scale within 2 u."""
    random = np.random.default_rng(count)
    inside = 0
    for _ in range(1000):
        true = np.linspace(0, 40, count)
        gain = random.normal(0, 0.005)
        points = [
            KnownPoint(
                value * (1 + gain) + random.normal(0, 0.05),
                (value - 0.3) / 0.97 + random.normal(0, 0.02),
                0.05,
                0.02,
            )
            for value in true
        ]
        found = fit_span(points, reference_gain=0.005)
        inside += abs(found.scale - 0.97) <= 1.96 * found.u_scale
    assert 920 <= inside <= 985


def test_what_does_not_determine_a_line_is_said():
    with pytest.raises(ValueError, match="no known value"):
        fit_span([])
    with pytest.raises(ValueError, match="did not follow"):
        fit_span([KnownPoint(0.0, 1.0), KnownPoint(10.0, 1.0)])


def test_readings_that_hardly_follow_the_known_values_make_no_scale():
    """Zero and 20 A were typed while 20 A flowed: the difference is the noise of the readings."""
    points = [KnownPoint(0.0, 19.9979, 0.0, 0.0015), KnownPoint(20.0, 19.9996, 0.1, 0.0008)]
    with pytest.raises(ValueError, match="hardly follow the known values"):
        fit_span(points)
