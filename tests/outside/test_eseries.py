"""Preferred values against a library that we did not write: eseries, from PyPI."""

from __future__ import annotations

import eseries
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buildkit import electrics as e

SERIES = {12: (e.E12, eseries.E12), 24: (e.E24, eseries.E24)}


@pytest.mark.parametrize("size", SERIES)
def test_the_values_of_seven_decades(size: int) -> None:
    ours, theirs = SERIES[size]
    assert len(ours) == size
    assert e.preferred(1, 1e7, ours) == pytest.approx(list(eseries.erange(theirs, 1, 1e7)))


# Six digits: a value that differs from a step only in a float's last bit is that step.
OHMS = st.floats(1, 1e7).map(lambda ohms: float(f"{ohms:.6g}"))


@given(OHMS, st.sampled_from(sorted(SERIES)))
def test_the_next_value_above_and_below(ohms: float, size: int) -> None:
    ours, theirs = SERIES[size]
    above = eseries.find_greater_than_or_equal(theirs, ohms)
    below = eseries.find_less_than_or_equal(theirs, ohms)
    assert e.preferred_above(ohms, ours) == pytest.approx(above)
    assert e.preferred_below(ohms, ours) == pytest.approx(below)


@given(st.floats(0.06, 0.94))
def test_no_other_pair_is_nearer_below(ratio: float) -> None:
    upper, lower = e.divider_pair(ratio)
    assert 5000 * (1 - 1e-9) <= upper + lower <= 20_000 * (1 + 1e-9)
    ours = lower / (upper + lower)
    assert ours <= ratio * (1 + 1e-6)
    values = list(eseries.erange(eseries.E24, 100, 20_000))
    best = max(
        b / (a + b)
        for a in values
        for b in values
        if 5000 <= a + b <= 20_000 and b / (a + b) <= ratio
    )
    assert ours >= best - 1e-6
