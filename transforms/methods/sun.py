"""Where the sun stands: solar time and the length of the day, for telling day from night.

Solar declination after Allen et al. 1998 (FAO Irrigation and Drainage Paper 56, equation 24), half
day length by equation 25, seasonal correction of solar time by equations 32 and 33.
"""

from math import pi

import polars as pl

DAY_H = 24.0


def solar_hours(time: pl.Expr, longitude_deg: float | pl.Expr) -> pl.Expr:
    """Hours of solar time since 1970-01-01 00:00 solar, from a UTC time. Noon is 12 modulo 24."""
    b = 2 * pi * (time.dt.ordinal_day().cast(pl.Float64) - 81) / 364
    season_h = 0.1645 * (2 * b).sin() - 0.1255 * b.cos() - 0.025 * b.sin()
    return time.dt.epoch("us") / 3.6e9 + longitude_deg / 15 + season_h


def half_day_h(ordinal_day: pl.Expr, latitude_deg: float | pl.Expr) -> pl.Expr:
    """Hours from sunrise to noon (0 to 12) on a day of the year (1 to 366)."""
    tilt = 0.409 * (2 * pi * ordinal_day.cast(pl.Float64) / 365 - 1.39).sin()
    latitude = latitude_deg * pi / 180
    edge = -((latitude if isinstance(latitude, pl.Expr) else pl.lit(latitude)).tan() * tilt.tan())
    return edge.clip(-1, 1).arccos() * 12 / pi


def sunlight_so_far(from_noon_h: pl.Expr, half_h: pl.Expr) -> pl.Expr:
    """Share (0 to 1) of a clear day's sunlight that has fallen by ``from_noon_h`` hours from noon.

    Radiation on a level plane goes as cos(w) - cos(ws), w the hour angle and ws that of sunset.
    """
    ws = half_h * pi / 12
    w = pl.max_horizontal(pl.min_horizontal(from_noon_h, half_h), -half_h) * pi / 12
    return ((w.sin() + ws.sin()) - ws.cos() * (w + ws)) / (2 * (ws.sin() - ws * ws.cos()))
