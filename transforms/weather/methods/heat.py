"""Heat of a day from its extremes: growing degree days by three methods, corn heat units.

Expressions over columns of temperatures in degC; growing degree days come in degC day.
"""

from __future__ import annotations

import math

import polars as pl


def gdd_average(high: pl.Expr, low: pl.Expr, base: pl.Expr, upper: pl.Expr) -> pl.Expr:
    """Growing degree days: mean of the extremes, limited to base and upper, less base.

    Method 1 of McMaster and Wilhelm 1997, Agricultural and Forest Meteorology 87, 291-300,
    doi:10.1016/S0168-1923(97)00027-0.
    """
    return ((high + low) / 2).clip(base, upper) - base


def gdd_clipped(high: pl.Expr, low: pl.Expr, base: pl.Expr, upper: pl.Expr) -> pl.Expr:
    """Growing degree days: each extreme limited to base and upper, their mean less base.

    Method 2 of McMaster and Wilhelm 1997 (as above).
    """
    return (high.clip(base, upper) + low.clip(base, upper)) / 2 - base


def gdd_sine(high: pl.Expr, low: pl.Expr, base: pl.Expr, upper: pl.Expr) -> pl.Expr:
    """Growing degree days: area between base and upper under one sine through the extremes.

    Baskerville and Emin 1969, Ecology 50(3), 514-517, doi:10.2307/1933912, with a horizontal
    cut at the upper temperature: what passes over it is taken off.
    """
    return _above(high, low, base) - _above(high, low, upper)


def _above(high: pl.Expr, low: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """Mean height of a sine from ``low`` to ``high`` above a limit over one day."""
    mean, amplitude = (high + low) / 2, (high - low) / 2
    sine = ((limit - mean) / amplitude).clip(-1.0, 1.0)
    angle = sine.arcsin()
    part = ((mean - limit) * (math.pi / 2 - angle) + amplitude * angle.cos()) * (1 / math.pi)
    return (
        pl.when(low >= limit)
        .then(mean - limit)
        .when(high <= limit)
        .then(0.0)
        # A limit a hair inside the extremes leaves rounding noise around zero.
        .otherwise(part.clip(lower_bound=0.0))
    )


def corn_heat_units(high: pl.Expr, low: pl.Expr) -> pl.Expr:
    """Corn heat units of a day.

    Brown and Bootsma 1993, Crop heat units for corn and other warm-season crops in Ontario,
    Factsheet 93-119; each of the two halves at or above zero. Heat of the day from 10 degC with
    its best at about 30, heat of the night from 4.4 degC.
    """
    warm = high - 10.0
    of_day = (3.33 * warm - 0.084 * warm * warm).clip(lower_bound=0.0)
    of_night = (1.8 * (low - 4.4)).clip(lower_bound=0.0)
    return (of_day + of_night) / 2
