"""The GUM's own examples and NIST's data sets against our tools.

Sources: JCGM 100:2008 (GUM) annexes H.1 and H.2; JCGM 101:2008 (Supplement 1) clause 9.2; NIST StRD
univariate summary statistics (certified values, public domain); Student's t from any table of two-sided
quantiles (here recomputed with scipy 1.17).
"""

import math

import numpy as np
import pytest

from capture.uncertainty.gum import (
    Estimate,
    correlation,
    coverage_factor,
    effective_dof,
    propagate,
    quantisation,
    rectangular,
    type_a,
)
from capture.uncertainty.moments import Moments

VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def test_gum_h1_end_gauge():
    """GUM H.1, in nm: printed u 32, effective degrees of freedom 16, U at 99 % 93."""

    def length(standard, difference, alpha, theta, alpha_difference, theta_difference):
        return standard + difference - standard * (alpha_difference * theta + alpha * theta_difference)

    inputs = [
        Estimate(50_000_623.0, 25.0, 18),
        Estimate(215.0, 9.7, 25.6),
        Estimate(11.5e-6, 1.2e-6),
        Estimate(-0.1, 0.41),
        Estimate(0.0, 0.58e-6, 50),
        Estimate(0.0, 0.029, 2),
    ]
    told = propagate(length, inputs)
    assert told.value == pytest.approx(50_000_838.0)
    assert [abs(part) for part in told.contributions] == pytest.approx([25, 9.7, 0, 0, 2.9, 16.68], abs=0.01)
    assert told.u == pytest.approx(31.71, abs=0.01)
    dof = effective_dof(told.contributions, [one.dof for one in inputs])
    assert dof == pytest.approx(16.66, abs=0.05)
    assert math.floor(dof) == 16
    assert coverage_factor(math.floor(dof), 0.99) * told.u == pytest.approx(92.6, abs=0.1)


def h2(correlated):
    means = [type_a(readings) for readings in (VOLTS, AMPERES, RADIANS)]
    pairs = {
        (0, 1): correlation(VOLTS, AMPERES),
        (0, 2): correlation(VOLTS, RADIANS),
        (1, 2): correlation(AMPERES, RADIANS),
    }
    return {
        name: propagate(function, means, pairs if correlated else None)
        for name, function in (
            ("R", lambda v, i, phi: v / i * math.cos(phi)),
            ("X", lambda v, i, phi: v / i * math.sin(phi)),
            ("Z", lambda v, i, phi: v / i + 0 * phi),
        )
    }


def test_gum_h2_readings_taken_together_are_correlated():
    """GUM H.2: simultaneous V, I and phi; printed R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236)."""
    assert type_a(VOLTS).u == pytest.approx(0.0032, abs=5e-5)
    assert type_a(AMPERES).u == pytest.approx(0.0095e-3, abs=5e-8)
    assert type_a(RADIANS).u == pytest.approx(0.00075, abs=5e-6)
    assert correlation(VOLTS, AMPERES) == pytest.approx(-0.355, abs=5e-4)
    assert correlation(VOLTS, RADIANS) == pytest.approx(0.858, abs=5e-4)
    assert correlation(AMPERES, RADIANS) == pytest.approx(-0.645, abs=5e-4)
    told = h2(correlated=True)
    for name, value, u in (("R", 127.732, 0.071), ("X", 219.847, 0.2956), ("Z", 254.260, 0.236)):
        assert told[name].value == pytest.approx(value, abs=6e-4)
        assert told[name].u == pytest.approx(u, abs=6e-4)


def test_gum_h2_fails_without_the_correlations():
    """The example is there to show it: taken as independent, u of R comes out wrong by far."""
    assert h2(correlated=False)["R"].u > 2 * 0.071


def test_supplement_1_sum_of_four():
    """Supplement 1, 9.2.2 and 9.2.3: u 2.0, 95 % +-3.92; four rectangulars have +-3.88 in truth."""
    normal = propagate(lambda *four: sum(four), [Estimate(0.0, 1.0)] * 4)
    boxes = propagate(lambda *four: sum(four), [Estimate(0.0, rectangular(math.sqrt(3.0)))] * 4)
    assert normal.u == boxes.u == pytest.approx(2.0)
    assert coverage_factor() * normal.u == pytest.approx(3.92, abs=5e-3)
    assert coverage_factor() * boxes.u == pytest.approx(2 * math.sqrt(3) * (2 - 0.6**0.25), rel=0.011)


STUDENT = {
    1: (6.314, 12.706, 63.657),
    2: (2.920, 4.303, 9.925),
    3: (2.353, 3.182, 5.841),
    4: (2.132, 2.776, 4.604),
    5: (2.015, 2.571, 4.032),
    6: (1.943, 2.447, 3.707),
    7: (1.895, 2.365, 3.499),
    8: (1.860, 2.306, 3.355),
    9: (1.833, 2.262, 3.250),
    10: (1.812, 2.228, 3.169),
    19: (1.729, 2.093, 2.861),
    29: (1.699, 2.045, 2.756),
    60: (1.671, 2.000, 2.660),
    math.inf: (1.645, 1.960, 2.576),
}


@pytest.mark.parametrize("dof", STUDENT)
def test_student_t(dof):
    """Two-sided 90, 95 and 99 % (GUM Table G.2 has the same numbers to two decimals)."""
    for level, factor in zip((0.90, 0.95, 0.99), STUDENT[dof], strict=True):
        assert coverage_factor(dof, level) == pytest.approx(factor, abs=6e-4)


def test_one_reading_gives_no_interval():
    with pytest.raises(ValueError, match="fewer than two"):
        type_a([3.0])
    with pytest.raises(ValueError, match="no interval"):
        coverage_factor(0)


def test_a_step_is_a_rectangle_of_its_width():
    """GUM F.2.2.1: u = 0.29 of the step of an indication."""
    assert quantisation(1.0) == pytest.approx(0.29, abs=2e-3)


# fmt: off
MAVRO = (
    2.0018, 2.0017, 2.0018, 2.0019, 2.0018, 2.0017, 2.0015, 2.0014, 2.0015, 2.0015, 2.0017, 2.0018, 2.0018,
    2.0019, 2.0019, 2.0021, 2.0020, 2.0016, 2.0014, 2.0013, 2.0013, 2.0015, 2.0015, 2.0016, 2.0015, 2.0014,
    2.0013, 2.0014, 2.0015, 2.0014, 2.0015, 2.0016, 2.0015, 2.0016, 2.0019, 2.0020, 2.0020, 2.0021, 2.0022,
    2.0023, 2.0024, 2.0025, 2.0027, 2.0026, 2.0026, 2.0026, 2.0027, 2.0026, 2.0025, 2.0024,
)
LEW = (
    -213, -564, -35, -15, 141, 115, -420, -360, 203, -338, -431, 194, -220, -513, 154, -125, -559, 92,
    -21, -579, -52, 99, -543, -175, 162, -457, -346, 204, -300, -474, 164, -107, -572, -8, 83, -541,
    -224, 180, -420, -374, 201, -236, -531, 83, 27, -564, -112, 131, -507, -254, 199, -311, -495, 143,
    -46, -579, -90, 136, -472, -338, 202, -287, -477, 169, -124, -568, 17, 48, -568, -135, 162, -430,
    -422, 172, -74, -577, -13, 92, -534, -243, 194, -355, -465, 156, -81, -578, -64, 139, -449, -384,
    193, -198, -538, 110, -44, -577, -6, 66, -552, -164, 161, -460, -344, 205, -281, -504, 134, -28,
    -576, -118, 156, -437, -381, 200, -220, -540, 83, 11, -568, -160, 172, -414, -408, 188, -125, -572,
    -32, 139, -492, -321, 205, -262, -504, 142, -83, -574, 0, 48, -571, -106, 137, -501, -266, 190,
    -391, -406, 194, -186, -553, 83, -13, -577, -49, 103, -515, -280, 201, 300, -506, 131, -45, -578,
    -80, 138, -462, -361, 201, -211, -554, 32, 74, -533, -235, 187, -372, -442, 182, -147, -566, 25, 68,
    -535, -244, 194, -351, -463, 174, -125, -570, 15, 72, -550, -190, 172, -424, -385, 198, -218, -536,
    96,
)
# fmt: on


def alternating(first, low, high):
    return (first, *[value for _ in range(500) for value in (low, high)])


NIST = {
    "NumAcc1": ((10000001.0, 10000003.0, 10000002.0), 10000002.0, 1.0, 0.0),
    "NumAcc2": (alternating(1.2, 1.1, 1.3), 1.2, 0.1, 1e-13),
    "NumAcc3": (alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 1e-9),
    "NumAcc4": (alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 1e-8),
    "Lew": (LEW, -177.435, 277.332168044316, 1e-12),
    "Mavro": (MAVRO, 2.001856, 0.000429123454003053, 1e-11),
}


@pytest.mark.parametrize("name", NIST)
@pytest.mark.parametrize("block", [1, 7, 64, 2000])
def test_nist_univariate(name, block):
    """NIST StRD, however the readings are cut into blocks; tolerances are what binary64 can hold."""
    readings, mean, deviation, tolerance = NIST[name]
    values = np.asarray(readings, np.float64)
    told = Moments()
    for first in range(0, len(values), block):
        told = told.plus(values[first : first + block])
    assert told.count == len(values)
    assert told.mean == pytest.approx(mean, rel=max(tolerance, 1e-14), abs=0.0)
    assert told.deviation == pytest.approx(deviation, rel=tolerance * 1.01, abs=0.0)


def test_one_pass_sums_of_squares_would_fail_nist():
    """The textbook formula is far off on NumAcc3, so the data set tells stable algorithms from others."""
    values = np.asarray(NIST["NumAcc3"][0])
    squares = float((values * values).sum()) - len(values) * float(values.mean()) ** 2
    assert abs(squares / (len(values) - 1) - 0.01) > 1e-4
