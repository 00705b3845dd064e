"""Units against NIST SP 811 (2008), appendix B.8."""

import pytest

from capture.quantities import COLUMN_ENDINGS, ah_from_coulomb, column_name, wh_from_joule


def test_hours():
    """SP 811 B.8: ampere hour 3.6 E+03 C and watt hour 3.6 E+03 J, both exact."""
    assert ah_from_coulomb(3.6e3) == 1.0
    assert wh_from_joule(3.6e3) == 1.0


def test_five_groups_of_five_ampere_hours():
    """5.0 A.h at 18 V nominal are 90 W.h, 324 000 J and 18 000 C (SP 811 factors, worked by hand)."""
    assert wh_from_joule(324_000.0) == 90.0
    assert ah_from_coulomb(18_000.0) == 5.0


@pytest.mark.parametrize(
    "symbol", ["A", "V", "W", "N", "Pa", "Cel", "1/min", "m/s", "kg", "Hz", "Ohm", "%RH", "count"]
)
def test_unit_symbols_are_registered(symbol):
    """These symbols are in the SenML units registry (RFC 8428 section 12.1); each makes a column."""
    assert column_name("thing", symbol) == f"thing_{COLUMN_ENDINGS[symbol]}"
