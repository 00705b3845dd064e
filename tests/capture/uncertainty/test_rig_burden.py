"""What the rig takes, and the energy beyond it: u against simulation, the same current in both terms."""

import math

import numpy as np
import pytest
from simulated_errors import INTERVAL_S, Logger, figures_of, lived, read

from capture.calibration.leads import Resistor, Rig
from capture.figure_uncertainty import run_uncertainty, with_uncertainties
from capture.quantities import JOULE_PER_WH
from capture.rig_burden import rig_burden
from capture.uncertainty.channels import ChannelUncertainty
from capture.uncertainty.electrical import Electrical, Stretch, energy_u, square_u

DRAWS = 20_000
#: A rig that takes a third of the energy, so that it matters how its errors hang together with the pack's.
OHM, U_OHM = 0.4, 0.01
CURRENT = ChannelUncertainty(gain=0.01, offset=0.05, correlation=-0.4)
VOLTAGE = ChannelUncertainty(gain=0.004, offset=0.02, correlation=0.3)


def drawn(random, known):
    """Return gains and offsets drawn from what is known of a channel, correlated as it says."""
    first, second = random.standard_normal((2, DRAWS))
    r = known.correlation
    return known.gain * first, known.offset * (r * first + math.sqrt(1 - r * r) * second)


@pytest.mark.parametrize("sensed_at", ["pack", "tool"])
def test_errors_of_the_current_are_counted_once(sensed_at):
    """Monte Carlo (JCGM 101:2008, clause 7): each draw has one gain and one offset of the current."""
    random = np.random.default_rng(8)
    t = np.arange(400) * INTERVAL_S
    current, dt = 25 + 10 * np.sin(7 * t), INTERVAL_S
    voltage = 40 - 0.1 * current
    gain_i, offset_i = (one[:, None] for one in drawn(random, CURRENT))
    gain_v, offset_v = (one[:, None] for one in drawn(random, VOLTAGE))
    ohm = OHM + U_OHM * random.standard_normal(DRAWS)
    wrong_i = current * (1 + gain_i) + offset_i
    squares = (wrong_i**2).sum(1) * dt
    energies = (wrong_i * (voltage * (1 + gain_v) + offset_v)).sum(1) * dt
    sign = -1 if sensed_at == "pack" else 1
    beyond = energies + sign * ohm * squares

    stretch = Stretch(
        len(t) * dt, *(float(one.sum()) * dt for one in (current, current * voltage, voltage, current**2))
    )
    known = Electrical(CURRENT, VOLTAGE, INTERVAL_S, scatter_a=0.0, scatter_v=0.0, lowest_over_s=0.02)
    of_ohm = U_OHM * stretch.square_a2_s
    u = math.hypot(of_ohm, energy_u(known, stretch, sign * OHM))
    assert u == pytest.approx(float(beyond.std()), rel=0.03)
    u_taken = math.hypot(of_ohm, OHM * square_u(known, stretch))
    assert u_taken == pytest.approx(float((ohm * squares).std()), rel=0.03)
    as_if_independent = math.hypot(energy_u(known, stretch), u_taken)
    assert abs(as_if_independent / float(beyond.std()) - 1) > 0.1


@pytest.mark.parametrize("averaged", [True, False], ids=["means", "instants"])
@pytest.mark.parametrize("sensed_at", ["pack", "tool"])
def test_intervals_of_the_far_energy_cover_the_truth(sensed_at, averaged):
    """400 runs with all errors of a logger: noise, steps, skew, chopping, lost samples."""
    random = np.random.default_rng(20261129)
    logger = Logger(averaged, gain_i=0.01, skew_us=0)
    inside = []
    for _ in range(400):
        truth = lived(random)
        figures = figures_of(read(truth, logger, random))
        known = run_uncertainty(figures, logger.document())
        ohm = 0.05 * (1 + 0.1 * random.standard_normal())
        rig = Rig((Resistor("leads", 0.05, 0.005),), sensed_at).as_json()
        burden = rig_burden({"rig": rig}, with_uncertainties(figures, known), known)
        square = truth.integral((1 + truth.ripple) * truth.current_a**2)
        sign = -1 if sensed_at == "pack" else 1
        far = burden.at_tool if sensed_at == "pack" else burden.at_pack
        true_far = (truth.integral(truth.power_w) + sign * ohm * square) / JOULE_PER_WH
        inside.append(
            (
                abs(far.value - true_far) <= 1.96 * far.u,
                abs(burden.taken.value - ohm * square / JOULE_PER_WH) <= 1.96 * burden.taken.u,
            )
        )
    of_far, of_taken = np.mean(inside, axis=0)
    assert 0.91 <= of_far <= 0.99
    assert 0.91 <= of_taken <= 0.99


def test_without_a_rig_nothing_is_told():
    random = np.random.default_rng(1)
    logger = Logger(averaged=True)
    figures = figures_of(read(lived(random), logger, random))
    assert rig_burden({}, figures, run_uncertainty(figures, logger.document())) is None
