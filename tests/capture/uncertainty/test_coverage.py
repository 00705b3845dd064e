"""Nominal 95 % intervals cover the truth in 92 to 98 of 100 runs, every source of uncertainty switched on.

Gain and offset are drawn for each run from what the document states, noise for each sample; readings are
rounded to steps, V and I are sampled apart, the tool chops, and in half of the runs samples are lost. The
truth is that of the whole run, gaps included. Definition of coverage: JCGM 100:2008, 6.2.2.
"""

import numpy as np
import pytest
from simulated_errors import UNDITHERED, Logger, figures_of, lived, read

from capture.cut_uncertainty import cut_uncertainties
from capture.figure_uncertainty import run_uncertainty, with_uncertainties
from capture.quantities import COULOMB_PER_AH, JOULE_PER_WH
from capture.uncertainty.gum import coverage_factor

RUNS = 1000
LOGGERS = {"means": Logger(averaged=True), "instants": Logger(averaged=False), "coarse steps": UNDITHERED}


def errors_of_run(random, logger):
    """Return error over u, by figure, of one simulated run."""
    truth = lived(random)
    figures = figures_of(read(truth, logger, random))
    known = run_uncertainty(figures, logger.document())
    figures = with_uncertainties(figures, known)
    cut = figures.cut_records[0]
    u = cut_uncertainties(cut, known)
    begin, end = truth.first_cut
    rest_v = float(truth.voltage_v[0])
    half = (begin + end) / 2, end
    sag_v = rest_v - truth.mean(truth.voltage_v, *half)
    current_a = truth.mean(truth.current_a, *half)
    told = {
        "charge": (figures.charge.value, figures.charge.u, truth.integral(truth.current_a) / COULOMB_PER_AH),
        "energy": (figures.energy.value, figures.energy.u, truth.integral(truth.power_w) / JOULE_PER_WH),
        "rest voltage": (figures.rest_voltage.value, figures.rest_voltage.u, rest_v),
        "steady sag": (cut.steady_sag.volts, u["steady_sag"], sag_v),
        "steady sag per ampere": (cut.steady_sag.per_ampere, u["steady_sag_per_ampere"], sag_v / current_a),
        "steady sag in percent": (cut.steady_sag.percent, u["steady_sag_percent"], 100 * sag_v / rest_v),
    }
    if not cut.has_gap:
        told["mean power"] = (cut.mean_power_w, u["mean_power"], truth.mean(truth.power_w, begin, end))
    return {name: (value - true) / u for name, (value, u, true) in told.items()}


@pytest.fixture(scope="module", params=LOGGERS)
def errors(request):
    """Return for one kind of logger the errors over u of all runs, by figure."""
    random = np.random.default_rng(20261125)
    runs = [errors_of_run(random, LOGGERS[request.param]) for _ in range(RUNS)]
    by_figure = {
        name: np.array([run[name] for run in runs if name in run]) for run in runs[:1] for name in run
    }
    for name, ratios in by_figure.items():
        print(f"{request.param:12} {name:22} {covered(ratios):.3f} of {len(ratios)}")
    return by_figure


def covered(ratios, share=1.0):
    """Return how many of the intervals cover the truth, had u been `share` of what it is."""
    return float(np.mean(np.abs(ratios) <= share * coverage_factor(level=0.95)))


def test_95_percent_intervals_cover_the_truth(errors):
    told = {name: covered(ratios) for name, ratios in errors.items()}
    assert all(0.92 <= share <= 0.98 for share in told.values()), told


def test_half_the_uncertainty_would_not_do(errors):
    """The test above can fail: with half of u, or twice of it, no figure stays inside the band."""
    for name, ratios in errors.items():
        assert covered(ratios, 0.5) < 0.92, name
        assert covered(ratios, 2.0) > 0.98, name
