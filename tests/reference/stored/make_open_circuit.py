"""Open-circuit curves of pybamm's parameter sets between their cut-offs, in V at 0, 0.025 ... 1 of charge."""

import json

import numpy as np
import pybamm

SETS = {"nmc": "Chen2020", "lfp": "Prada2013", "nca": "NCA_Kim2011", "lco": "Ramadass2004"}
#: Further layered oxides: how far the curves of one chemistry lie from each other.
OTHERS = {"ecker": "Ecker2015", "mohtat": "Mohtat2020", "oregan": "ORegan2022"}


def curve(name):
    values = pybamm.ParameterValues(name)
    x0, x100, y100, y0 = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    positive, negative = values["Positive electrode OCP [V]"], values["Negative electrode OCP [V]"]

    def volts(soc):
        y, x = pybamm.Scalar(y0 + soc * (y100 - y0)), pybamm.Scalar(x0 + soc * (x100 - x0))
        return round(float(values.evaluate(positive(y) - negative(x))), 4)

    return [volts(soc) for soc in np.linspace(0, 1, 41)]


print(json.dumps({chemistry: curve(name) for chemistry, name in {**SETS, **OTHERS}.items()}))
