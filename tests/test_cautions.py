"""Cautions against IEEE Std 1789-2015, 8.1.1 (as a public encoding of it gives the figures)."""

import pytest

from spinlag.cautions import low_risk_modulation_percent


@pytest.mark.parametrize(("hz", "percent"), [(20, 0.5), (60, 1.5), (89.999, 2.25), (90, 7.2), (120, 9.6), (3000, 100)])
def test_low_risk_modulation(hz, percent):
    assert low_risk_modulation_percent(hz) == pytest.approx(percent, rel=1e-4)
