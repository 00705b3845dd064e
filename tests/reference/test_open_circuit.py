"""The open-circuit curve of the virtual packs, made again with pybamm from the published electrode curves."""

import importlib.util
import json
import os
import subprocess
import sys

import numpy as np
import pytest

from capture.model.open_circuit import NMC_VOLTS
from capture.model.pack import Pack

needs_pybamm = pytest.mark.skipif(
    importlib.util.find_spec("pybamm") is None,
    reason="pybamm is not installed: pip install -e '.[reference]'",
)

CURVE = """
import json, numpy as np, pybamm
p = pybamm.ParameterValues("Chen2020")
x0, x100, y100, y0 = pybamm.lithium_ion.get_min_max_stoichiometries(p)
positive, negative = p["Positive electrode OCP [V]"], p["Negative electrode OCP [V]"]
def volts(s):
    y, x = pybamm.Scalar(y0 + s * (y100 - y0)), pybamm.Scalar(x0 + s * (x100 - x0))
    return float(p.evaluate(positive(y) - negative(x)))
print(json.dumps([volts(s) for s in np.linspace(0, 1, 41)]))
"""

DISCHARGE = """
import json, numpy as np, pybamm
socs, volts = np.linspace(0, 1, 41), np.array(json.loads(input()))
p = pybamm.ParameterValues("ECM_Example")
p.update({
    "Initial SoC": 0.999, "Cell capacity [A.h]": 2.5, "Nominal cell capacity [A.h]": 2.5,
    "Current function [A]": 20.0,
    "Upper voltage cut-off [V]": 4.5, "Lower voltage cut-off [V]": 2.0,
    "Element-1 initial overpotential [V]": 0.0,
    "Open-circuit voltage [V]": lambda s: pybamm.Interpolant(socs, volts, s, interpolator="linear"),
    "R0 [Ohm]": lambda T, I, s: pybamm.Scalar(0.011), "R1 [Ohm]": lambda T, I, s: pybamm.Scalar(1e-9),
    "C1 [F]": lambda T, I, s: pybamm.Scalar(1e6), "Entropic change [V/K]": lambda o, T: pybamm.Scalar(0.0),
})
sim = pybamm.Simulation(pybamm.equivalent_circuit.Thevenin(), parameter_values=p)
times = np.linspace(0, 300, 301)
solved = sim.solve(times)
print(json.dumps([float(v) for v in solved["Voltage [V]"](times)]))
"""


def run_pybamm(code, given=""):
    environment = {**os.environ, "PYBAMM_DISABLE_TELEMETRY": "true", "PYTHONWARNINGS": "ignore"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        input=given,
        capture_output=True,
        text=True,
        check=True,
        env=environment,
        timeout=170,
    )
    return json.loads(done.stdout.splitlines()[-1])


@needs_pybamm
def test_the_table_is_the_published_curve():
    """Chen et al., J. Electrochem. Soc. 167 (2020) 080534, by pybamm: equal to the last digit given."""
    np.testing.assert_allclose(NMC_VOLTS, run_pybamm(CURVE), rtol=0, atol=5.1e-5)


@needs_pybamm
def test_a_discharge_against_pybamm():
    """2.5 A.h behind 11 mohm, 20 A for 300 s: our pack and pybamm's Thevenin model agree to 1 mV."""
    theirs = np.array(run_pybamm(DISCHARGE, json.dumps(NMC_VOLTS)))
    times = np.linspace(0, 300, 301)
    ours = Pack("one group", 1, 2.5, 0.011, charge_state=0.999).voltage(np.full(301, 20.0), 20.0 * times)
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-3)
