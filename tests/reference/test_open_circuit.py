"""The open-circuit curve of the virtual packs, made again with pybamm from the published electrode curves."""

import numpy as np
from pybamm_process import needs_pybamm, run_pybamm

from capture.open_circuit import NMC_VOLTS

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


@needs_pybamm
def test_the_table_is_the_published_curve():
    """Chen et al., J. Electrochem. Soc. 167 (2020) 080534, by pybamm: equal to the last digit given."""
    np.testing.assert_allclose(NMC_VOLTS, run_pybamm(CURVE), rtol=0, atol=5.1e-5)
