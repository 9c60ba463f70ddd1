"""Site-seasons with known truth, to judge the science by: readings in, truth beside.

``strip_season(seed)`` grows one crop on a treated and a check strip of one field and gives the
tables that transforms take, as instruments would have made them, and what really happened. The
same seed and options give the same bytes. ``strip_seasons`` does many at once, which is faster.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from demo_warehouse.simulator import climate, crops, ground, heat, known, sensors, troubles, water
from demo_warehouse.simulator.forcing import Forcing, of_pairs
from demo_warehouse.simulator.forcing import Truth as Happened
from demo_warehouse.simulator.settings import probe_names, settings, station_names
from schemas.catalogue import TABLES
from schemas.generated import conform

Array = NDArray[np.float64]
Physics = Callable[[ground.Column, Forcing, Array], Happened]
SIDES = known.SIDES
DAYS = 450  # 1 August of the year before to 24 October


@dataclass(frozen=True, slots=True)
class Options:
    """What to simulate; what is None is drawn from the seed."""

    soil: str = "clay"
    crop: str | None = None
    depths_cm: tuple[float, ...] = (10, 30, 50, 70, 100)
    logger: sensors.Logger = field(default_factory=sensors.Logger)
    bare: bool = False  # no crop takes up water (the season table still names one)
    wetness: float | None = None  # rain amounts against normal; drawn from 0.6 to 1.4
    start_share: float | None = None  # of the available water on 1 August before; 0.15 to 0.7
    pan: float | None = None  # hardness of the check's compacted layer; 0.5 to 1.1
    faults: tuple[str, ...] = ()  # names of troubles.TROUBLES, each on one sensor
    gauge_error_share: float = 0.03  # spread between rain gauges
    year: int = 2023  # of the harvest


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened; mm are of water, days are those of the farm (standard time).

    ``root``: strip, depth_cm, reached (day the front passed the sensor's depth; null never),
    uptake_begins (first day of three whose mean uptake of the sensor's own 10 cm is 0.1 mm or more).
    ``uptake``: strip, depth_cm, day, uptake_mm of the layer, uptake_10cm_mm at the sensor.
    ``balance``: strip, day, rain, snow on the ground, infiltration, runoff, evaporation,
    transpiration (all depths), drainage below the deepest layer, storage down to there and in all.
    ``layer``: strip, depth_cm, time, storage_mm of the layer without any sensor error.
    ``season``: strip, water_use_mm from the end of the day of seeding to the end of that of
    harvest (evaporation and transpiration), and its parts over the same days.
    ``faults``: what was done to which sensor, with dates.
    """

    root: pl.DataFrame
    uptake: pl.DataFrame
    balance: pl.DataFrame
    layer: pl.DataFrame
    season: pl.DataFrame
    faults: pl.DataFrame


@dataclass(frozen=True, slots=True)
class SiteSeason:
    """One field in one season: tables as declared in schemas, and the truth."""

    seed: int
    options: Options
    tables: dict[str, pl.DataFrame]
    truth: Truth


@dataclass(frozen=True, slots=True)
class _Site:
    seed: int
    rng: np.random.Generator
    options: Options
    weather: climate.Hourly
    season: crops.Season
    pan: Array
    hardness: float
    loosened: float
    start_share: float

    @property
    def name(self) -> str:
        """Name of the field."""
        return f"field{self.seed}"


def _site(seed: int, options: Options) -> _Site:
    rng = np.random.default_rng([seed, 4711])
    first = date(options.year - 1, 8, 1)
    wetness = options.wetness if options.wetness is not None else rng.uniform(0.6, 1.4)
    names = ["spring wheat", "barley", "canola", "durum", "flax", "pea", "winter wheat"]
    crop = options.crop or names[int(rng.integers(len(names)))]
    if crop == "winter wheat":
        seeded = date(options.year - 1, 9, 5) + timedelta(days=int(rng.integers(0, 15)))
        harvested = date(options.year, 8, 5) + timedelta(days=int(rng.integers(0, 15)))
    else:
        seeded = date(options.year, 4, 28) + timedelta(days=int(rng.integers(0, 22)))
        harvested = seeded + timedelta(days=int(rng.integers(106, 124)))
    day = climate.daily(rng, first, DAYS, wetness=wetness)
    hardness = options.pan if options.pan is not None else rng.uniform(0.5, 1.1)
    share = options.start_share if options.start_share is not None else rng.uniform(0.15, 0.7)
    return _Site(
        seed,
        rng,
        options,
        climate.hourly(rng, day),
        crops.Season(crop, seeded, harvested),
        ground.in_pan(rng.uniform(17, 24), rng.uniform(38, 46)),
        float(hardness),
        float(rng.uniform(0.6, 0.95)),
        float(share),
    )


def strip_season(seed: int, options: Options | None = None, **changes: Any) -> SiteSeason:
    """One site-season; ``changes`` are fields of Options, e.g. ``soil="loam", bare=True``."""
    return next(strip_seasons([seed], options, **changes))


def strip_seasons(
    seeds: Sequence[int],
    options: Options | None = None,
    physics: Physics = water.run,
    **changes: Any,
) -> Iterator[SiteSeason]:
    """Many site-seasons, simulated together by 25; each is the same as by strip_season.

    ``physics`` moves the water in the soil, given its column, what drives it and its start.
    Raises KeyError for an unknown soil, crop or fault.
    """
    chosen = replace(options or Options(), **changes)
    for name in chosen.faults:
        troubles.TROUBLES[name]
    ground.SOILS[chosen.soil]
    for at in range(0, len(seeds), 25):
        yield from _together([_site(seed, chosen) for seed in seeds[at : at + 25]], physics)


def mixed_seasons(
    plan: Sequence[tuple[int, Options]], physics: Physics = water.run
) -> Iterator[SiteSeason]:
    """Site-seasons of seeds and options of their own, simulated together.

    All have a crop or none (ValueError): what drives the strips is made for all at once.
    """
    if len({options.bare for _, options in plan}) > 1:
        raise ValueError("bare and cropped fields cannot be simulated together")
    return _together([_site(seed, options) for seed, options in plan], physics)


def _together(sites: list[_Site], physics: Physics) -> Iterator[SiteSeason]:
    weather = [site.weather for site in sites]
    base = heat.ground(
        np.stack([w.rain_mm for w in weather], axis=1),
        np.stack([w.air_temp_c for w in weather], axis=1),
        np.stack([w.solar_w_m2 for w in weather], axis=1),
    )
    grown = [crops.growth(s.weather, base.snow_cm[:, i], [s.season]) for i, s in enumerate(sites)]
    hardness = np.array([h for s in sites for h in (s.hardness * (1 - s.loosened), s.hardness)])
    by_day = np.repeat(np.minimum(hardness, 1.0)[None, :], DAYS, axis=0)
    forcing = of_pairs(
        base, grown, [s.pan for s in sites], by_day, cropped=not sites[0].options.bare
    )
    column = ground.column([ground.SOILS[site.options.soil] for site in sites for _ in SIDES])
    share = np.repeat([s.start_share for s in sites], 2)[:, None]
    start = column.wilting + share * (column.field_capacity - column.wilting)
    truth = physics(column, forcing, start)
    for i, site in enumerate(sites):
        yield _one(site, i, base, truth)


def _one(site: _Site, i: int, base: heat.Ground, truth: Happened) -> SiteSeason:
    tables = settings(
        site.name, site.weather.first, site.season, site.options.soil, site.options.depths_cm
    )
    readings, faults = _soil_readings(site, i, base, truth)
    tables["soil_reading"] = readings
    tables["weather_reading"] = _weather_readings(site)
    tables = {name: conform(frame, TABLES[name]) for name, frame in tables.items()}
    return SiteSeason(site.seed, site.options, tables, _truth(site, i, base, truth, faults=faults))


def _weather_readings(site: _Site) -> pl.DataFrame:
    w = site.weather
    times = known.end_times(w.first, len(w.air_temp_c), 60)
    frames = []
    for station in station_names(site.name).values():
        catch = 1 + site.rng.normal(0, site.options.gauge_error_share)
        frames.append(
            pl.DataFrame(
                {
                    "time": times,
                    "air_temp_c": np.round(w.air_temp_c, 2),
                    "relative_humidity_pct": np.round(w.humidity_pct, 1),
                    "rain_mm": np.round(w.rain_mm * catch, 2),
                    "wind_speed_m_s": np.round(w.wind_m_s, 2),
                    "solar_radiation_w_m2": np.round(w.solar_w_m2, 1),
                    "air_pressure_kpa": np.round(w.pressure_kpa, 2),
                }
            ).with_columns(station=pl.lit(station), interval_s=pl.lit(3600.0))
        )
    return pl.concat(frames).sort("station", "time")


def _soil_readings(
    site: _Site, i: int, base: heat.Ground, truth: Happened
) -> tuple[pl.DataFrame, pl.DataFrame]:
    logger = site.options.logger
    hours = len(truth.theta)
    times = known.end_times(site.weather.first, hours, logger.step_min)
    set_days = np.arange(len(times)) * logger.step_min / 1440
    frames, done = [], []
    wanted = {
        name: (int(site.rng.integers(2)), int(site.rng.integers(len(site.options.depths_cm))))
        for name in site.options.faults
    }
    for s, side in enumerate(SIDES):
        for k, depth in enumerate(site.options.depths_cm):
            at = sensors.slice_of(depth)
            theta = sensors.refine(truth.theta[:, 2 * i + s, at].astype(float), logger.step_min)
            temp = sensors.refine(base.soil_temp_c[:, i, at].astype(float), logger.step_min)
            own = sensors.draw(site.rng, logger)
            value = sensors.reading_pct(
                site.rng, logger, own, theta=theta, temp_c=temp, set_days=set_days
            )
            for name in (n for n, where in wanted.items() if where == (s, k)):
                value, a, b = troubles.TROUBLES[name](site.rng, value, logger.step_min)
                done.append(
                    {
                        "strip": side,
                        "depth_cm": float(depth),
                        "fault": name,
                        "from": times[a],
                        "to": times[min(b, len(times)) - 1],
                    }
                )
            frame = pl.DataFrame({"time": times, "vwc_pct": value}).with_columns(
                probe=pl.lit(probe_names(site.name)[side]),
                depth_cm=pl.lit(float(depth)),
                interval_s=pl.lit(logger.step_min * 60.0),
                soil_temp_c=pl.Series(np.round(temp, 1)) if logger.soil_temp else pl.lit(None),
            )
            frames.append(frame.filter(pl.col("vwc_pct").is_not_nan()))
    schema: dict[str, Any] = {
        "strip": pl.String,
        "depth_cm": pl.Float64,
        "fault": pl.String,
        "from": pl.Datetime("us", "UTC"),
        "to": pl.Datetime("us", "UTC"),
    }
    return pl.concat(frames).sort("probe", "depth_cm", "time"), pl.DataFrame(done, schema=schema)


def _truth(
    site: _Site, i: int, base: heat.Ground, truth: Happened, *, faults: pl.DataFrame
) -> Truth:
    made = known.frames(
        known.Site(site.weather, site.season, site.options.depths_cm, i), base, truth
    )
    return Truth(**made, faults=faults)
