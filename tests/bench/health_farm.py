"""Invented farms for the health checks, by recipe and seed, with what was done to them as the truth.

A recipe says how far apart the stations stand, over what distance rain is alike, what share of
months a gauge is clogged, when a logger's resolution changed and how often soil water comes down as
a front. Daily rain is a Gaussian field over the stations, so that near gauges agree and far ones
agree only as much as storms are wide; soil water is eight readings a day, rounded as the logger
writes them. Nothing here is taken from the rules that it judges.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import gamma, norm

from schemas import generated
from schemas.catalogue import TABLES
from transforms.health import sensor_run, station_health
from transforms.soil import soil_quality_day
from transforms.weather import weather_used_day

FIRST = date(2019, 1, 1)
KM_LAT = 111.2
HOME = (50.0, -100.0)
SOIL_TEMPS = ("soil_temp_mean_c", "soil_temp_min_c", "soil_temp_max_c")
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Recipe:
    """What a farm is made from; distances in km, shares from 0 to 1."""

    fields: int = 2  # each with a treated and a check station, 0.2 km apart
    apart_km: tuple[float, float] = (3.0, 12.0)  # from one field to the next
    alone: int = 1  # stations without a field
    alone_km: tuple[float, float] = (5.0, 22.0)
    storms_km: tuple[float, float] = (40.0, 120.0)  # distance over which rain is alike (1/e)
    clogged_share: float = 0.08  # of months
    whole_share: float = 0.5  # of clogged months in which next to nothing is caught
    years: int = 4
    coarse_first_year: float = 0.5  # share of probes that wrote whole percents in their first year
    fronts: float = 0.5  # share of rains that wet the whole profile at once
    stuck: float = 0.4  # chance that a probe has a stuck sensor once
    pulled: float = 0.3  # chance that a probe is disturbed once


@dataclass(frozen=True)
class Stuck:
    """A sensor that stood still, and what it was like before."""

    probe: str
    depth_cm: float
    first: date
    last: date
    resolution_pct: float  # what the logger writes
    flicker_pct: float  # standard deviation of its readings in resting soil
    warm: bool  # its soil temperature went on moving

    @property
    def days(self) -> int:
        """How long."""
        return (self.last - self.first).days + 1

    @property
    def kinds(self) -> dict[str, str]:
        """What a table of misses counts by."""
        steps = self.flicker_pct / self.resolution_pct
        return {
            "length": "14 to 24 days" if self.days < 25 else "25 to 49 days",
            "depth": "10 or 20 cm" if self.depth_cm <= 20 else "40 cm or deeper",
            "resolution": f"{self.resolution_pct:g} %",
            "flicker": "half a step or less" if steps <= 0.5 else "more than half a step",
            "soil temperature": "goes on" if self.warm else "none",
            "season": "November to March"
            if self.first.month in {11, 12, 1, 2, 3}
            else "other months",
        }


@dataclass
class Made:
    """A farm: tables by name, and what is true of it."""

    tables: dict[str, pl.DataFrame]
    catch: pl.DataFrame  # station, month, catch (share), rain_mm and wet (days) that truly fell
    stuck: list[Stuck] = field(default_factory=list)
    pulled: list[tuple[str, date]] = field(default_factory=list)

    @property
    def health(self) -> pl.DataFrame:
        """Return what the rules find."""
        t = self.tables
        put_on = generated.empty(TABLES["irrigation_day"])
        names = ("weather_day", "station_spell", "normal_day", "delivery", "farm")
        used = weather_used_day.derive(
            **{name: t[name] for name in names},
            **{n: generated.empty(TABLES[n]) for n in ("gauge", "field", "station_field")},
        )
        quality = soil_quality_day.derive(
            t["soil_day"], t["probe_spell"], t["sensor"], used, put_on, t["farm"]
        )
        used_by_runs = ("soil_day", "station_spell", "farm")
        runs = sensor_run.derive(
            soil_quality_day=quality,
            weather_used_day=used,
            irrigation_day=put_on,
            **{name: t[name] for name in used_by_runs},
        )
        metered = generated.empty(TABLES["water_meter_day"])
        made = {"sensor_run": runs, "weather_used_day": used, "water_meter_day": metered}
        return station_health.derive(**t, **made)


def make(recipe: Recipe, seed: int) -> Made:
    """Make the farm of a seed."""
    rng = np.random.default_rng(seed)
    days = [FIRST + timedelta(days=i) for i in range(365 * recipe.years)]
    names, sides, xy = _places(recipe, rng)
    season = _season(days)
    rain = _rain(rng, recipe, xy, season)
    catch = _catch(rng, recipe, len(names), days)
    weather = _weather(rng, dict(zip(names, sides, strict=True)), days, rain, catch)
    spells = [
        {"station": n, "from_day": FIRST, "field": f, "strip": s, "gauge_heated": False}
        | {"latitude_deg": HOME[0] + y / KM_LAT, "longitude_deg": HOME[1] + x / (KM_LAT * 0.643)}
        for n, (f, s), (x, y) in zip(names, sides, xy, strict=True)
    ]
    truth = _truth(names, days, rain, catch, season)
    made = Made({"weather_day": weather, "station_spell": _table("station_spell", spells)}, truth)
    _probes(made, rng, recipe, days, sides, rain)
    made.tables["farm"] = _table("farm", [_farm()])
    nothing = ("delivery", "delivery_instrument", "quarantine", "sun_day", "normal_day")
    for name in (*nothing, "flagged_reading", "do_not_use"):
        made.tables[name] = generated.empty(TABLES[name])
    return made


def _season(days: list[date]) -> Array:
    """From -1 in January to 1 in July."""
    return np.array([np.cos(2 * np.pi * (d.timetuple().tm_yday - 200) / 365) for d in days])


def _table(name: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    table = TABLES[name]
    frame = pl.DataFrame(rows, infer_schema_length=None)
    return generated.conform(frame, table).sort(table.key)


def _farm() -> dict[str, object]:
    return {
        "farm": "invented",
        "latitude_deg": HOME[0],
        "longitude_deg": HOME[1],
        "elevation_m": 300.0,
        "standard_offset_h": -6.0,
        "day_starts_h": 0.0,
        "neighbor_km": 25.0,
    }


def _places(
    recipe: Recipe, rng: np.random.Generator
) -> tuple[list[str], list[tuple[str | None, str | None]], Array]:
    """Names, (field, strip) and places [km east, km north] of the stations."""
    names, sides, xy = [], [], []

    def away(low: float, high: float) -> Array:
        angle, far = rng.uniform(0, 2 * np.pi), rng.uniform(low, high)
        return far * np.array([np.cos(angle), np.sin(angle)])

    for i in range(recipe.fields):
        at = np.zeros(2) if i == 0 else away(*recipe.apart_km)
        for side in ("treated", "check"):
            names.append(f"{chr(97 + i)} {side}")
            sides.append((f"field {chr(97 + i)}", side))
            xy.append(at + (0.2 if side == "check" else 0.0))
    for i in range(recipe.alone):
        names.append(f"alone {chr(97 + i)}")
        sides.append((None, None))
        xy.append(away(*recipe.alone_km))
    return names, sides, np.array(xy)


def _rain(rng: np.random.Generator, recipe: Recipe, xy: Array, season: Array) -> Array:
    """Rain [mm] by day and station: wide rains in the cold half, storms as wide as the recipe's."""
    far = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    wide = rng.uniform(*recipe.storms_km)
    out = np.zeros((len(season), len(xy)))
    for reach, days in ((wide, season > 0), (4 * wide, season <= 0)):
        alike = np.linalg.cholesky(np.exp(-far / reach) + 1e-9 * np.eye(len(xy)))
        chance = norm.cdf(rng.normal(size=(int(days.sum()), len(xy))) @ alike.T)
        often = rng.uniform(0.22, 0.38)
        above = (chance - (1 - often)) / often
        out[days] = np.where(above > 0, gamma.ppf(above.clip(1e-9, 1 - 1e-9), 0.7, scale=9.0), 0.0)
    return out


def _catch(rng: np.random.Generator, recipe: Recipe, n: int, days: list[date]) -> Array:
    """Share that each gauge catches by day: clogged for one to four months at a time."""
    months = np.array([(d.year - FIRST.year) * 12 + d.month - 1 for d in days])
    out = np.ones((len(days), n))
    for s in range(n):
        want = recipe.clogged_share * (months.max() + 1)
        begun = 0.0
        while begun < want and rng.random() < want - begun:
            length = int(rng.integers(1, 5))
            first = int(rng.integers(0, months.max() + 1))
            whole = rng.random() < recipe.whole_share
            share = rng.uniform(0, 0.03) if whole else rng.uniform(0.05, 0.5)
            out[(months >= first) & (months < first + length), s] = share
            begun += length
    return out


def _weather(
    rng: np.random.Generator,
    stations: dict[str, tuple[str | None, str | None]],
    days: list[date],
    rain: Array,
    catch: Array,
) -> pl.DataFrame:
    """Daily weather as the stations report it: gauges in tips, with bias and scatter of their own."""
    frames = []
    season = _season(days)
    gloom = np.clip(0.2 + 0.18 * np.log1p(rain.mean(axis=1)) + rng.normal(0, 0.2, len(days)), 0, 1)
    warm = 5 + 15 * season + rng.normal(0, 3, len(days))
    clear = _clear_sky(days)
    for s, (name, (of, strip)) in enumerate(stations.items()):
        tip = rng.choice([0.1, 0.2, 0.254])
        good = rain[:, s] * rng.normal(1, 0.04) * np.exp(rng.normal(0, 0.06, len(days)))
        caught = np.floor(good * catch[:, s] / tip) * tip
        own = rng.normal(0, 0.2, len(days))
        frames.append(
            pl.DataFrame(
                {
                    "station": name,
                    "day": days,
                    "field": [of] * len(days),
                    "strip": [strip] * len(days),
                    "rain_mm": caught.clip(0),
                    "air_temp_mean_c": warm + own,
                    "air_temp_min_c": warm - 6 + own,
                    "air_temp_max_c": warm + 7 + own,
                    "relative_humidity_mean_pct": np.clip(45 + 60 * gloom + 5 * own, 20, 100),
                    "relative_humidity_min_pct": np.clip(30 + 40 * gloom, 5, 99),
                    "relative_humidity_max_pct": np.clip(75 + 25 * gloom, 20, 100),
                    "wind_speed_mean_m_s": rng.gamma(4, 0.8, len(days)),
                    "solar_energy_mj_m2": clear * (1 - 0.85 * gloom**2) * (1 + 0.02 * own),
                    "air_pressure_mean_kpa": 97 + np.cumsum(rng.normal(0, 0.05, len(days))) % 3,
                    "battery_min_v": 12.6 + 0.2 * season + 0.05 * own,
                    "readings": 96,
                }
            )
        )
    covered = ("air_temp", "humidity", "rain", "wind", "solar")
    frame = pl.concat(frames).with_columns(pl.lit(1.0).alias(f"{c}_coverage") for c in covered)
    return generated.conform(frame, TABLES["weather_day"]).sort("station", "day")


def _clear_sky(days: list[date]) -> Array:
    """Three quarters of the daily sun [MJ/m2] above the air, by Spencer's declination of 1971."""
    angle = np.array([2 * np.pi * (d.timetuple().tm_yday - 1) / 365 for d in days])
    tilt = (
        0.006918
        - 0.399912 * np.cos(angle)
        + 0.070257 * np.sin(angle)
        - 0.006758 * np.cos(2 * angle)
        + 0.000907 * np.sin(2 * angle)
    )
    at = np.radians(HOME[0])
    sunset = np.arccos(-np.tan(at) * np.tan(tilt))
    high = sunset * np.sin(at) * np.sin(tilt) + np.cos(at) * np.cos(tilt) * np.sin(sunset)
    return 0.756 * 118.1 / np.pi * (1 + 0.033 * np.cos(angle)) * high


def _truth(
    names: list[str], days: list[date], rain: Array, catch: Array, season: Array
) -> pl.DataFrame:
    """By station and month: the share caught, and the rain that fell on days well above freezing."""
    mild = (5 + 15 * season) > 10
    frames = [
        pl.DataFrame(
            {
                "station": name,
                "month": days,
                "catch": catch[:, s],
                "rain_mm": np.where(mild, rain[:, s], 0.0),
            }
        )
        for s, name in enumerate(names)
    ]
    return (
        pl.concat(frames)
        .with_columns(pl.col("month").dt.truncate("1mo"))
        .group_by("station", "month")
        .agg(
            pl.col("catch").first(),
            pl.col("rain_mm").sum(),
            wet=(pl.col("rain_mm") >= 2).sum(),
        )
    )


def _probes(  # noqa: PLR0917 - the parts of a farm
    made: Made,
    rng: np.random.Generator,
    recipe: Recipe,
    days: list[date],
    sides: list[tuple[str | None, str | None]],
    rain: Array,
) -> None:
    """Add a probe a strip: daily rows of eight readings at five depths."""
    depths = np.array([10.0, 20.0, 40.0, 60.0, 100.0])
    season = _season(days)
    spells, sensors, frames = [], [], []
    for s, (of, strip) in enumerate(sides):
        if of is None:
            continue
        name = f"p{s}"
        spells.append({"probe": name, "from_day": FIRST, "field": of, "strip": strip})
        sensors += [{"probe": name, "depth_cm": d} for d in depths]
        water = _soil_water(rng, recipe, depths, rain[:, s])
        if rng.random() < recipe.pulled:
            at = int(rng.integers(400, len(days) - 60))
            dry = np.flatnonzero(rain[at : at + 50].max(axis=1) < 0.1)
            runs = dry[np.isin(dry - 1, dry) & np.isin(dry - 2, dry)]
            if runs.size and season[at + runs[0]] > 0:
                day = at + int(runs[0])
                water[day:] -= rng.uniform(5, 9)
                made.pulled.append((name, days[day]))
        resolution = np.full(len(days), rng.choice([0.01, 0.1]))
        if rng.random() < recipe.coarse_first_year:
            resolution[:365] = 1.0
        flicker = rng.uniform(0.02, 0.15)
        eight = water[:, :, None] + rng.normal(0, flicker, (*water.shape, 8))
        stuck = None
        if rng.random() < recipe.stuck:
            k, a = int(rng.integers(0, 5)), int(rng.integers(450, len(days) - 80))
            b = a + int(rng.integers(14, 50))
            eight[a:b, k] = eight[a, k, 0]
            stuck = (name, float(depths[k]), days[a], days[b - 1], resolution[-1], flicker)
        step = resolution[:, None, None]
        eight = np.round(np.round(eight / step) * step, 3).clip(0, 100)
        has_temp = rng.random() < 0.7
        if stuck is not None:
            made.stuck.append(Stuck(*stuck, has_temp))
        for k, depth in enumerate(depths):
            damp = np.exp(-depth / 60)
            temp = 7 + 11 * season * damp + rng.normal(0, 0.5 * damp, len(days))
            frames.append(
                pl.DataFrame(
                    {
                        "probe": name,
                        "depth_cm": depth,
                        "day": days,
                        "field": of,
                        "strip": strip,
                        "vwc_mean_pct": eight[:, k].mean(axis=1),
                        "vwc_min_pct": eight[:, k].min(axis=1),
                        "vwc_max_pct": eight[:, k].max(axis=1),
                        "vwc_last_pct": eight[:, k, -1],
                        "vwc_coverage": 1.0,
                        "soil_temp_mean_c": temp.round(1) if has_temp else None,
                        "soil_temp_min_c": (temp - 3 * damp).round(1) if has_temp else None,
                        "soil_temp_max_c": (temp + 3 * damp).round(1) if has_temp else None,
                        "soil_temp_coverage": 1.0 if has_temp else 0.0,
                        "readings": 8,
                    },
                    schema_overrides=dict.fromkeys(
                        ("soil_temp_mean_c", "soil_temp_min_c", "soil_temp_max_c"), pl.Float64
                    ),
                )
            )
    made.tables["probe_spell"] = _table("probe_spell", spells)
    made.tables["sensor"] = _table("sensor", sensors)
    made.tables["soil_day"] = generated.conform(pl.concat(frames), TABLES["soil_day"]).sort(
        "probe", "depth_cm", "day"
    )


def _soil_water(rng: np.random.Generator, recipe: Recipe, depths: Array, rain: Array) -> Array:
    """Water content [%] by day and depth: rain fills from above, or as a front all at once."""
    full, dry = 38 + rng.normal(0, 1, len(depths)), 20 + depths / 10
    dries = 0.03 / (1 + depths / 25)
    out = np.zeros((len(rain), len(depths)))
    now = full.copy()
    for day, fell in enumerate(rain):
        now = now - dries * (now - dry)
        if fell > 12 and rng.random() < recipe.fronts:
            now = now + (full - now) * np.minimum(1.0, fell / 25)
        elif fell > 3:
            now = now + (full - now) * np.clip(fell / 30 - depths / 60, 0, 1)
        out[day] = now
    return out
