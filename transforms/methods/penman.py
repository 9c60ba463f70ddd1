"""The equations of reference evapotranspiration, as polars expressions.

Source of every numbered equation: Allen, Pereira, Raes, Smith 1998, "Crop evapotranspiration",
FAO Irrigation and Drainage Paper 56, ISBN 92-5-104219-5 (called FAO-56 here). Daily steps only.
Each function takes and gives polars expressions (null in, null out), in the units named.
"""

from math import pi

import polars as pl

SOLAR_CONSTANT = 0.0820  # MJ/m2/min
STEFAN_BOLTZMANN = 4.903e-9  # MJ/K4/m2/day
ALBEDO = 0.23  # of the grass reference
MM_PER_MJ = 0.408  # Eq 20: 1 / latent heat of 2.45 MJ/kg
INTERIOR = 0.16  # adjustment coefficient kRs of Eq 50 where land masses dominate (0.19 at a coast)


def pressure(elevation: pl.Expr) -> pl.Expr:
    """Air pressure [kPa] at an elevation [m]. Eq 7."""
    return 101.3 * ((293.0 - 0.0065 * elevation) / 293.0) ** 5.26


def psychrometric(air_pressure: pl.Expr) -> pl.Expr:
    """Psychrometric constant [kPa/degC] at an air pressure [kPa]. Eq 8."""
    return 0.665e-3 * air_pressure


def saturation(temperature: pl.Expr) -> pl.Expr:
    """Saturation vapour pressure [kPa] at a temperature [degC]. Eq 11; Eq 14 at the dew point."""
    return 0.6108 * (17.27 * temperature / (temperature + 237.3)).exp()


def mean_saturation(highest: pl.Expr, lowest: pl.Expr) -> pl.Expr:
    """The day's saturation vapour pressure [kPa] from its extremes [degC]. Eq 12."""
    return (saturation(highest) + saturation(lowest)) / 2.0


def slope(temperature: pl.Expr) -> pl.Expr:
    """Slope of the saturation vapour pressure curve [kPa/degC] at a temperature [degC]. Eq 13."""
    return 4098.0 * saturation(temperature) / (temperature + 237.3) ** 2


def vapour_from_extremes(
    highest: pl.Expr, lowest: pl.Expr, humidity_max: pl.Expr, humidity_min: pl.Expr
) -> pl.Expr:
    """Actual vapour pressure [kPa] from temperatures [degC] and humidities [%]. Eq 17.

    The highest humidity belongs to the lowest temperature.
    """
    return (saturation(lowest) * humidity_max + saturation(highest) * humidity_min) / 200.0


def vapour_from_mean(highest: pl.Expr, lowest: pl.Expr, humidity: pl.Expr) -> pl.Expr:
    """Actual vapour pressure [kPa] from temperatures [degC] and the mean humidity [%]. Eq 19."""
    return mean_saturation(highest, lowest) * humidity / 100.0


def sun_distance(day_of_year: pl.Expr) -> pl.Expr:
    """Inverse relative distance from the sun. Eq 23."""
    return 1.0 + 0.033 * (2.0 * pi / 365.0 * day_of_year).cos()


def declination(day_of_year: pl.Expr) -> pl.Expr:
    """Solar declination [rad]. Eq 24."""
    return 0.409 * (2.0 * pi / 365.0 * day_of_year - 1.39).sin()


def sunset_angle(latitude: pl.Expr, day_of_year: pl.Expr) -> pl.Expr:
    """Return the sunset hour angle [rad] at a latitude [degree]. Eq 25.

    pi under a midnight sun, 0 in a polar night.
    """
    return (-latitude.radians().tan() * declination(day_of_year).tan()).clip(-1.0, 1.0).arccos()


def extraterrestrial(latitude: pl.Expr, day_of_year: pl.Expr) -> pl.Expr:
    """Radiation at the top of the atmosphere [MJ/m2/day] at a latitude [degree]. Eq 21."""
    angle, sun, place = (
        sunset_angle(latitude, day_of_year),
        declination(day_of_year),
        latitude.radians(),
    )
    height = angle * place.sin() * sun.sin() + place.cos() * sun.cos() * angle.sin()
    return 24.0 * 60.0 / pi * SOLAR_CONSTANT * sun_distance(day_of_year) * height


def clear_sky(top: pl.Expr, elevation: pl.Expr) -> pl.Expr:
    """Radiation under a clear sky [MJ/m2/day] from that at the top of the atmosphere. Eq 37."""
    return (0.75 + 2e-5 * elevation) * top


def radiation_from_range(
    highest: pl.Expr, lowest: pl.Expr, top: pl.Expr, clear: pl.Expr
) -> pl.Expr:
    """Estimate short-wave radiation [MJ/m2/day] from the temperature range [degC].

    Eq 50, interior; never above a clear sky's.
    """
    span = (highest - lowest).clip(lower_bound=0.0)
    return pl.min_horizontal(INTERIOR * span.sqrt() * top, clear)


def net_long_wave(
    highest: pl.Expr, lowest: pl.Expr, vapour: pl.Expr, solar: pl.Expr, clear: pl.Expr
) -> pl.Expr:
    """Net outgoing long-wave radiation [MJ/m2/day]. Eq 39.

    The ratio of measured to clear-sky radiation is held to 0.3..1, the range of ASCE-EWRI 2005,
    "The ASCE standardized reference evapotranspiration equation", doi 10.1061/9780784408056
    (FAO-56 states the upper end only); where no sun rises it is taken at the middle of that range.
    """
    cloud = pl.when(clear > 0.0).then((solar / clear).clip(0.3, 1.0)).otherwise(0.65)
    kelvin = ((highest + 273.16) ** 4 + (lowest + 273.16) ** 4) / 2.0
    return STEFAN_BOLTZMANN * kelvin * (0.34 - 0.14 * vapour.sqrt()) * (1.35 * cloud - 0.35)


def net_radiation(
    highest: pl.Expr, lowest: pl.Expr, vapour: pl.Expr, solar: pl.Expr, clear: pl.Expr
) -> pl.Expr:
    """Net radiation [MJ/m2/day] of the grass reference. Eqs 38 and 40."""
    return (1.0 - ALBEDO) * solar - net_long_wave(highest, lowest, vapour, solar, clear)


def wind_at_two_metres(wind: pl.Expr, height: pl.Expr) -> pl.Expr:
    """Wind speed [m/s] at 2 m from that at a height [m] over grass. Eq 47."""
    return wind * 4.87 / (67.8 * height - 5.42).log()


def penman_monteith(
    *,
    temperature: pl.Expr,
    net: pl.Expr,
    soil_heat: pl.Expr,
    wind: pl.Expr,
    deficit: pl.Expr,
    steepness: pl.Expr,
    gamma: pl.Expr,
) -> pl.Expr:
    """Reference evapotranspiration [mm/day]. Eq 6.

    Mean temperature [degC], net radiation and soil heat flux [MJ/m2/day], wind at 2 m [m/s],
    vapour pressure deficit [kPa], slope and psychrometric constant [kPa/degC].
    """
    radiation = MM_PER_MJ * steepness * (net - soil_heat)
    aerodynamic = gamma * 900.0 / (temperature + 273.0) * wind * deficit
    return (radiation + aerodynamic) / (steepness + gamma * (1.0 + 0.34 * wind))


def hargreaves_samani(highest: pl.Expr, lowest: pl.Expr, top: pl.Expr) -> pl.Expr:
    """Estimate reference evapotranspiration [mm/day] from temperature alone. Eq 52.

    After Hargreaves and Samani 1985, doi 10.13031/2013.26773. Temperatures [degC]; radiation at
    the top of the atmosphere [MJ/m2/day], as water by Eq 20.
    """
    mean = (highest + lowest) / 2.0
    span = (highest - lowest).clip(lower_bound=0.0)
    return 0.0023 * (mean + 17.8) * span.sqrt() * MM_PER_MJ * top
