"""Heat of a day against published values and against the sine added up in small steps."""

import math

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from transforms.weather.methods import heat

NO_UPPER = 99.0


def of(method, *values: float) -> float:
    return pl.select(method(*(pl.lit(float(v)) for v in values))).item()


# McMaster and Wilhelm 1997, Agricultural and Forest Meteorology 87: the two readings of the same
# equation, (max, min, base, method 1, method 2). They differ only where min < base < max.
@pytest.mark.parametrize(
    ("high", "low", "base", "first", "second"),
    [(20, 4, 10, 2, 5), (8, -4, 0, 2, 4), (25, 12, 10, 8.5, 8.5), (9, 2, 10, 0, 0)],
)
def test_mcmaster_and_wilhelm(high, low, base, first, second) -> None:
    assert of(heat.gdd_average, high, low, base, NO_UPPER) == pytest.approx(first)
    assert of(heat.gdd_clipped, high, low, base, NO_UPPER) == pytest.approx(second)


# The clipped average with limits of 50 and 86 degF is the trade's usual corn growing degree day
# (common practice, no source): 95/70 counts as 86/70, 60/40 as 60/50.
@pytest.mark.parametrize(
    ("high", "low", "degree_days_f"), [(95, 70, 28), (60, 40, 5), (95, 90, 36), (45, 30, 0)]
)
def test_upper_limit(high, low, degree_days_f) -> None:
    assert of(heat.gdd_clipped, high, low, 50, 86) == pytest.approx(degree_days_f)
    assert of(heat.gdd_average, 95, 90, 50, 86) == pytest.approx(36)


def test_baskerville_and_emin() -> None:
    """Baskerville and Emin 1969: a day of 34 to 60 degF above 50; and half a sine, 10 / pi."""
    assert of(heat.gdd_sine, 60, 34, 50, NO_UPPER) == pytest.approx(2.749, abs=0.0005)
    assert of(heat.gdd_sine, 20, 0, 10, NO_UPPER) == pytest.approx(10 / math.pi, abs=1e-12)


# Brown and Bootsma 1993; each half at or above zero, nights from 4.4 degC (not 4.44).
@pytest.mark.parametrize(
    ("high", "low", "units"), [(30, 15, 26.04), (25, 10, 20.565), (12, 3, 3.162), (9, 2, 0)]
)
def test_corn_heat_units(high, low, units) -> None:
    assert of(heat.corn_heat_units, high, low) == pytest.approx(units, abs=5e-4)


TEMPS = st.tuples(st.floats(-30, 45), st.floats(0, 30)).map(lambda t: (t[0] + t[1], t[0]))


@given(TEMPS, st.floats(-2, 15), st.floats(5, 25))
@settings(max_examples=60, deadline=None)
def test_the_sine_is_the_area_under_a_sine(temps, base, width) -> None:
    high, low = temps
    upper = base + width
    hours = (np.arange(20000) + 0.5) / 20000
    curve = (high + low) / 2 + (high - low) / 2 * np.sin(2 * np.pi * hours)
    area = (np.clip(curve, base, upper) - base).mean()
    assert of(heat.gdd_sine, high, low, base, upper) == pytest.approx(area, abs=2e-4)


@given(TEMPS, st.floats(-2, 15), st.floats(5, 25))
@settings(max_examples=60, deadline=None)
def test_methods_agree_where_they_must_and_keep_their_bounds(temps, base, width) -> None:
    high, low = temps
    upper = base + width
    methods = (heat.gdd_average, heat.gdd_clipped, heat.gdd_sine)
    found = [of(m, high, low, base, upper) for m in methods]
    assert all(-1e-9 <= f <= width + 1e-9 for f in found)
    if low >= base and high <= upper:
        assert found == pytest.approx([(high + low) / 2 - base] * 3, abs=1e-9)
    if high <= base:
        assert found == pytest.approx([0.0] * 3, abs=1e-9)
    if high <= upper:  # McMaster and Wilhelm: method 2 is never the smaller of the two
        assert found[1] >= found[0] - 1e-9
