"""The open-circuit curves by chemistry, made again with pybamm from the published electrode curves."""

import numpy as np
import pytest
from pybamm_process import needs_pybamm
from stored_reference import made_again, stored

from capture.open_circuit import NMC_VOLTS, PUBLISHED

#: Chen et al., J. Electrochem. Soc. 167 (2020) 080534; Prada et al., J. Electrochem. Soc. 160 (2013) A616;
#: Kim et al., J. Electrochem. Soc. 158 (2011) A955; Ramadass et al., J. Electrochem. Soc. 151 (2004) A196.
CHEMISTRIES = ("nmc", "lfp", "nca", "lco")


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_the_tables_are_the_published_curves(chemistry):
    """pybamm 26.10.1.1, from the parameter sets of the papers above: equal to the last digit given."""
    curve = PUBLISHED[chemistry]
    np.testing.assert_allclose(curve.group_v, stored("open_circuit")[chemistry], rtol=0, atol=5.1e-5)
    assert curve.chemistry == chemistry


def test_how_far_a_pack_may_lie_from_its_chemistry_covers_other_published_cells():
    """Ecker2015, Mohtat2020 and ORegan2022 (pybamm 26.10.1.1) lie within two uncertainties of it."""
    others = stored("open_circuit")
    nmc = PUBLISHED["nmc"]
    inside = slice(4, None)  # below 0.1 of charge the lower cut-offs of the sets decide
    for other in ("ecker", "mohtat", "oregan"):
        apart = np.abs(np.array(others[other]) - np.array(NMC_VOLTS))
        assert np.all(apart[inside] < 2 * nmc.u_v[inside])


@needs_pybamm
def test_the_stored_curves_are_made_again():
    assert made_again("open_circuit") == stored("open_circuit")
