"""Seeded weather of an invented semi-arid continental grain farm, daily and hourly.

Daily: a two-state Markov chain for rain days with gamma amounts and first-order autoregressive
temperatures (Richardson 1981, Water Resources Research 17:182, doi:10.1029/WR017i001p00182).
Hourly values are drawn so that the hours of a day sum or range to the day. Times are the farm's
standard time, hour 0 to 23. Every function is a pure function of its arguments and its generator.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Climate:
    """Monthly climate and place; the figures are invented, plausible for a cold dry prairie."""

    latitude_deg: float = 50.9
    elevation_m: float = 760.0
    temp_mean_c: tuple[float, ...] = (-12, -10, -4, 5, 11.5, 16, 19, 18, 12, 5, -4, -10)
    temp_range_c: tuple[float, ...] = (10, 10.5, 11, 13, 14, 13.5, 14.5, 14.5, 14, 12, 10, 10)
    rain_mm: tuple[float, ...] = (17, 13, 19, 29, 56, 78, 60, 48, 40, 24, 18, 16)
    wet_days: tuple[float, ...] = (7, 6, 6.5, 6.5, 9.5, 11.5, 9.5, 8.5, 7.5, 5.5, 6.5, 7)
    wind_m_s: float = 3.6


@dataclass(frozen=True, slots=True)
class Daily:
    """Weather by day, one site: arrays of shape (days,)."""

    first: date
    tmax_c: Array
    tmin_c: Array
    rain_mm: Array
    vapour_kpa: Array
    solar_mj: Array
    wind_m_s: Array


@dataclass(frozen=True, slots=True)
class Hourly:
    """Weather by hour, one site: arrays of shape (hours,); row i is the hour that begins i hours after first."""

    first: date
    air_temp_c: Array
    humidity_pct: Array
    rain_mm: Array
    wind_m_s: Array
    solar_w_m2: Array
    pressure_kpa: Array
    reference_et_mm: Array
    snow: NDArray[np.bool_]


def saturation_kpa(temp_c: Array) -> Array:
    """Saturation vapour pressure in kPa (FAO-56 equation 11)."""
    return np.asarray(0.6108 * np.exp(17.27 * temp_c / (temp_c + 237.3)))


def day_numbers(first: date, days: int) -> tuple[Array, NDArray[np.int64]]:
    """Day of the year (1 to 366) and month (1 to 12) of each day."""
    dates = np.datetime64(first) + np.arange(days)
    year = dates.astype("datetime64[Y]")
    doy = (dates - year).astype(np.float64) + 1
    month = dates.astype("datetime64[M]").astype(np.int64) % 12 + 1
    return doy, month


def _smooth(monthly: tuple[float, ...], doy: Array) -> Array:
    """Mid-month values joined by straight lines, round the year."""
    middle = np.arange(-0.5, 13) * 30.44
    values = np.array((monthly[-1], *monthly, monthly[0]))
    return np.asarray(np.interp(doy, middle, values))


def extraterrestrial_mj(latitude_deg: float, doy: Array) -> Array:
    """Ra in MJ/m2/day (FAO-56 equations 21 to 25)."""
    lat = np.radians(latitude_deg)
    near = 1 + 0.033 * np.cos(2 * np.pi * doy / 365)
    tilt = 0.409 * np.sin(2 * np.pi * doy / 365 - 1.39)
    sunset = np.arccos(np.clip(-np.tan(lat) * np.tan(tilt), -1, 1))
    beam = sunset * np.sin(lat) * np.sin(tilt) + np.cos(lat) * np.cos(tilt) * np.sin(sunset)
    return np.asarray(24 * 60 / np.pi * 0.0820 * near * beam)


def _wet_days(rng: np.random.Generator, share: Array) -> NDArray[np.bool_]:
    """Rain days of a Markov chain whose persistence is 0.3 and whose long share is ``share``."""
    draws = rng.random(len(share))
    after_wet = share + 0.3 * (1 - share)
    after_dry = share * 0.7
    wet = np.zeros(len(share), dtype=bool)
    before = False
    for i in range(len(share)):
        before = bool(draws[i] < (after_wet[i] if before else after_dry[i]))
        wet[i] = before
    return wet


def daily(
    rng: np.random.Generator,
    first: date,
    days: int,
    climate: Climate | None = None,
    wetness: Array | float = 1.0,
) -> Daily:
    """Weather of ``days`` days from ``first``; ``wetness`` multiplies the amounts of rain."""
    climate = climate or Climate()
    doy, month = day_numbers(first, days)
    month_days = 30.44
    share = np.array(climate.wet_days)[month - 1] / month_days
    wet = _wet_days(rng, share)
    mean_amount = np.array(climate.rain_mm)[month - 1] / np.array(climate.wet_days)[month - 1]
    shape = 0.75
    amount = rng.gamma(shape, 1.0, days) / shape * mean_amount * wetness + 0.1
    rain = np.where(wet, amount, 0.0)

    def persistent(carry: float, spread: float) -> Array:
        noise = rng.normal(0, spread * np.sqrt(1 - carry**2), days + 60)
        return np.asarray(lfilter([1.0], [1.0, -carry], noise))[60:]

    cold = np.clip((10 - _smooth(climate.temp_mean_c, doy)) / 20, 0, 1)
    mean = _smooth(climate.temp_mean_c, doy) + persistent(0.72, 3.4) * (1 + 0.9 * cold)
    mean = mean - 1.2 * wet * (1 - cold)
    span = _smooth(climate.temp_range_c, doy) * np.exp(rng.normal(0, 0.22, days))
    span = np.clip(np.where(wet, 0.68, 1.12) * span, 2.5, 26)
    clear = np.clip(rng.beta(4.5, 2.0, days), 0.1, 1.0)
    cloud = np.where(wet, 0.30 + 0.35 * clear, 0.52 + 0.48 * clear)
    solar = extraterrestrial_mj(climate.latitude_deg, doy) * 0.77 * cloud
    tmin = mean - span / 2
    dryness = np.where(wet, 0.2, 2.2 + 2.0 * (1 - cold)) + rng.normal(0, 1.0, days)
    dew = tmin - np.clip(dryness, -1.0, 8.0)
    wind = climate.wind_m_s * rng.weibull(2.3, days) / 0.886
    return Daily(
        first, mean + span / 2, tmin, rain, saturation_kpa(dew), solar, np.clip(wind, 0.6, 14)
    )


def reference_et(day: Daily, climate: Climate) -> Array:
    """FAO-56 Penman-Monteith reference ET by day in mm (equation 6), wind at 2 m."""
    doy, _ = day_numbers(day.first, len(day.tmax_c))
    mean = (day.tmax_c + day.tmin_c) / 2
    es = (saturation_kpa(day.tmax_c) + saturation_kpa(day.tmin_c)) / 2
    ea = np.minimum(day.vapour_kpa, es)
    slope = 4098 * saturation_kpa(mean) / (mean + 237.3) ** 2
    gamma = 0.000665 * pressure_kpa(climate.elevation_m)
    clear = (0.75 + 2e-5 * climate.elevation_m) * extraterrestrial_mj(climate.latitude_deg, doy)
    relative = np.clip(day.solar_mj / clear, 0.3, 1.0)
    kelvin = ((day.tmax_c + 273.16) ** 4 + (day.tmin_c + 273.16) ** 4) / 2
    longwave = 4.903e-9 * kelvin * (0.34 - 0.14 * np.sqrt(ea)) * (1.35 * relative - 0.35)
    net = 0.77 * day.solar_mj - longwave
    top = 0.408 * slope * net + gamma * 900 / (mean + 273) * day.wind_m_s * (es - ea)
    return np.maximum(top / (slope + gamma * (1 + 0.34 * day.wind_m_s)), 0.0)


def pressure_kpa(elevation_m: float) -> float:
    """Mean air pressure in kPa (FAO-56 equation 7)."""
    return float(101.3 * ((293 - 0.0065 * elevation_m) / 293) ** 5.26)


def _hours_of_rain(rng: np.random.Generator, rain: Array, summer: Array) -> Array:
    """Rain of each hour, shape (days, 24); its sum over a day is the day's rain."""
    days = len(rain)
    length = np.clip(rng.lognormal(np.where(summer > 0.5, 0.9, 1.6), 0.6, days), 1, 14)
    start = np.where(
        rng.random(days) < 0.6 * summer, rng.normal(17, 2.5, days), rng.random(days) * 24
    )
    start = np.clip(start, 0, 24 - length)
    hour = np.arange(24)[None, :]
    falls = (hour >= np.floor(start)[:, None]) & (hour < np.ceil(start + length)[:, None])
    weight = rng.gamma(0.9, 1.0, (days, 24)) * falls + 1e-9 * falls
    return np.asarray(weight / weight.sum(axis=1, keepdims=True) * rain[:, None])


def hourly(rng: np.random.Generator, day: Daily, climate: Climate | None = None) -> Hourly:
    """The hours of a daily record; rain, radiation and reference ET sum to the days'."""
    climate = climate or Climate()
    days = len(day.tmax_c)
    doy, _ = day_numbers(day.first, days)
    middle = np.arange(24) + 0.5
    # temperature: cosine between the day's low near 05 h and the high near 15 h, night joined on
    at = np.arange(days) * 24.0
    knots_t = np.stack([at + 5, at + 15], axis=1).ravel()
    knots_v = np.stack([day.tmin_c, day.tmax_c], axis=1).ravel()
    hours = (at[:, None] + middle).ravel()
    left = np.clip(np.searchsorted(knots_t, hours) - 1, 0, len(knots_t) - 2)
    part = np.clip((hours - knots_t[left]) / (knots_t[left + 1] - knots_t[left]), 0, 1)
    bend = (1 - np.cos(np.pi * part)) / 2
    temp = knots_v[left] * (1 - bend) + knots_v[left + 1] * bend
    vapour = np.interp(hours, at + 12, day.vapour_kpa)
    humidity = np.clip(100 * vapour / saturation_kpa(temp), 8, 100)
    summer = np.clip(np.sin(2 * np.pi * (doy - 105) / 365), 0, 1)
    rain = _hours_of_rain(rng, day.rain_mm, summer).ravel()
    humidity = np.where(rain > 0.05, np.maximum(humidity, 90), humidity)
    tilt = 0.409 * np.sin(2 * np.pi * doy / 365 - 1.39)
    lat = np.radians(climate.latitude_deg)
    angle = np.pi / 12 * (middle - 12)
    height = np.sin(lat) * np.sin(tilt)[:, None] + np.cos(lat) * np.cos(tilt)[:, None] * np.cos(
        angle
    )
    shine = np.clip(height, 0, None) * np.exp(rng.normal(0, 0.15, (days, 24)))
    shine = shine / shine.sum(axis=1, keepdims=True)
    solar = (shine * day.solar_mj[:, None]).ravel() * 1e6 / 3600
    demand = (shine * reference_et(day, climate)[:, None]).ravel()
    gusty = 1 + 0.35 * np.cos(2 * np.pi * (middle - 15) / 24)
    wind = (day.wind_m_s[:, None] * gusty * np.exp(rng.normal(0, 0.2, (days, 24)))).ravel()
    drift = lfilter([1.0], [1.0, -0.995], rng.normal(0, 0.045, days * 24))
    return Hourly(
        day.first,
        temp,
        humidity,
        rain,
        wind,
        solar,
        pressure_kpa(climate.elevation_m) + np.asarray(drift),
        demand,
        temp < 0.5,
    )
