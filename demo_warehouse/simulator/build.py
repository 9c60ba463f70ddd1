"""Lays the whole farm folder: the farm file, the field book, the loggers' files, the truth.

What the instruments and the grower wrote stands where a farm has it; what really happened stands
under ``truth/``, which nothing of the program reads.
"""

import os
import shutil
from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from itertools import chain
from pathlib import Path

import numpy as np
import polars as pl

from demo_warehouse.simulator import (
    book,
    climate,
    crossed_map,
    damage,
    files,
    images,
    knoll,
    later,
    next_field,
    observed,
    probes,
    spoil,
    stations,
    truth,
)
from demo_warehouse.simulator.farm import Farm, simulate
from demo_warehouse.simulator.files import File
from demo_warehouse.simulator.ledger import Ledger
from demo_warehouse.simulator.plan import FIRST, LAST, MAPPED, ROOM, Plan, horizon, plan
from demo_warehouse.simulator.stations import TIME, Gauge

Progress = Callable[[float, str], None]
STATIC_SHEETS = tuple(
    f"{name}.csv"
    for name in ("fields", "strips", "seasons", "operations", "prices", "costs", "notes")
)
GAUGES = {
    "Windbreak": Gauge(0.2),
    "Coulee": Gauge(0.2),
    "Stonepile": Gauge(0.2, heated=True),
    "Gumbo": Gauge(0.254),
}
NORMALS_FROM, NORMALS_DAYS = date(1991, 1, 1), 10958


def _silent(_share: float, _what: str) -> None:
    """Tell nobody."""


def lay_out(folder: Path, seed: int = 1, progress: Progress = _silent, *, on: date = LAST) -> None:
    """Lay the invented farm into ``folder`` (made if need be): same seed and day, same bytes.

    ``on`` is the last day of the record. Weather, soil and passes of a day are the same whatever it
    is, to a kilogram or two; the noise of the instruments is not. ``progress`` is called with a share from 0
    to 1 and what is being done. Files with the same names are written over.
    """
    progress(0.0, "simulating years of weather, soil and crops")
    write(folder, simulate(seed, plan(horizon(on))), seed, progress, on=on)


def write(
    folder: Path, farm: Farm, seed: int = 1, progress: Progress = _silent, *, on: date = LAST
) -> None:
    """Write the folder of a farm that is simulated already."""
    ledger = Ledger()
    progress(0.5, "reading the instruments")
    frames = instruments(farm, seed)
    damage.apply(frames, np.random.default_rng([seed, 7]), ledger)
    progress(0.7, "writing the loggers' files")
    folder.mkdir(parents=True, exist_ok=True)
    last = probes.clock(on, 31)
    until = pl.col(damage.FILED) <= probes.clock(on, 24)
    written = stations_and_probes(farm, {n: frame.filter(until) for n, frame in frames.items()})
    strays = (File(path, content, last) for path, content in spoil.STRAYS.items())
    spoiled = spoil.spoil(written, whole=on >= LAST)
    above = images.files(np.random.default_rng([seed, 14]), farm, on)
    for file in chain(spoiled, strays, [long_record(seed)], yield_map(farm, seed, on), above):
        _write_file(folder, file)
    progress(0.9, "writing the field book and the truth")
    measured = book.sheets(np.random.default_rng([seed, 11]), farm)
    seen = observed.sheet(np.random.default_rng([seed, 12]), farm)
    _book(folder, measured | seen, farm.plan, on)
    truth.write(folder / "truth", farm, ledger)
    progress(1.0, "done")


# How a logger makes one value of an hour's; a sample of the sun in place of its mean would be a
# record whose noon comes too early.
OVER_AN_HOUR: dict[str, Callable[[pl.Expr], pl.Expr]] = {
    "rain_mm": pl.Expr.sum,
    "solar_radiation_w_m2": lambda rate: rate.mean().round(1),
    "wind_speed_m_s": lambda rate: rate.mean().round(2),
    "wind_gust_m_s": pl.Expr.max,
}


def instruments(farm: Farm, seed: int) -> dict[str, pl.DataFrame]:
    """The readings of all stations and probes of the trial by name, before any fault."""
    out = {}
    for i, (name, settings) in enumerate(sorted(farm.plan.stations.items())):
        field = settings["spells"][0].get("field")
        if field is None:
            continue
        rng = np.random.default_rng([seed, 100 + i])
        gauge = GAUGES[field]
        gauge = Gauge(gauge.tip_mm, float(rng.normal(0.985, 0.012)), gauge.heated)
        step = 15 if field == "Stonepile" else 60
        frame = stations.station(rng, farm, name, gauge, step)
        out[name] = _slow_before(frame) if step == 15 else frame
    for i, (name, settings) in enumerate(sorted(farm.plan.probes.items())):
        rng = np.random.default_rng([seed, 200 + i])
        step = 15 if settings["spells"][0]["field"] == "Stonepile" else 60
        frame = probes.probe(rng, farm, name, step)
        out[name] = _slow_before(frame) if step == 15 else frame
    return out


def _slow_before(frame: pl.DataFrame) -> pl.DataFrame:
    """Hourly rows until the logger was changed: sums, means and extremes, the last of the rest."""
    early = pl.col(TIME) <= probes.midnight(files.QUARTER_FROM)
    hour = pl.col(TIME).dt.offset_by("-1us").dt.truncate("1h").alias("hour")
    old = frame.filter(early).group_by(hour, maintain_order=True)
    hourly = old.agg(OVER_AN_HOUR.get(c, pl.Expr.last)(pl.col(c)) for c in frame.columns)
    return pl.concat([hourly.drop("hour"), frame.filter(~early)])


def stations_and_probes(farm: Farm, frames: dict[str, pl.DataFrame]) -> Iterator[File]:
    """Every file of every logger, as its layout has it."""
    for name, settings in farm.plan.stations.items():
        field = settings["spells"][0].get("field")
        if field is None:
            continue
        logger, frame = settings["ids"][0], frames[name]
        if field == "Windbreak":
            yield from files.windbreak_station(frame, name, logger)
        elif field == "Coulee":
            yield from files.coulee_station(frame, logger)
        elif field == "Stonepile":
            yield from files.stonepile_station(frame, logger)
        else:
            yield from files.gumbo_station(frame, logger)
    for name, settings in farm.plan.probes.items():
        field = settings["spells"][0]["field"]
        logger, frame, depths = settings["ids"][0], frames[name], farm.plan.probe_depths(name)
        if field == "Windbreak":
            yield from files.windbreak_probe(frame, name, logger, depths)
        elif field == "Coulee":
            yield from files.coulee_probe(frame, logger, depths)
        elif field == "Stonepile":
            yield from files.stonepile_probe(frame, logger, depths)
        else:
            yield from files.gumbo_probe(frame, logger, depths)


def long_record(seed: int) -> File:
    """The neighbor's daily record 1991 to 2020: the normals come from it."""
    rng = np.random.default_rng([seed, 1991])
    day = climate.daily(rng, NORMALS_FROM, NORMALS_DAYS)
    days = pl.Series("day", np.datetime64(NORMALS_FROM) + np.arange(NORMALS_DAYS)).cast(pl.Date)
    rain = np.round(day.rain_mm, 1)
    frame = pl.DataFrame(
        {
            "day": days,
            "tmax": np.round(day.tmax_c, 1),
            "tmin": np.round(day.tmin_c, 1),
            "rain": rain,
        }
    )
    ill = pl.col("day").is_between(date(1997, 6, 3), date(1997, 6, 15))
    frame = frame.with_columns(
        pl.when(ill).then(-9999.0).otherwise(pl.col(c)).alias(c) for c in ("tmax", "tmin", "rain")
    )
    written = datetime.combine(date(2021, 1, 4), datetime.min.time())
    return File("normals/longrecord_1991_2020.csv", frame.write_csv().encode(), written)


def yield_map(farm: Farm, seed: int, on: date) -> Iterator[File]:
    """Outlines of the mapped field's strips and of the next field, heights, and the map if it was harvested by then."""
    field, year = MAPPED
    drawn = datetime.combine(FIRST, datetime.min.time())
    yield File("yieldmaps/strips.geojson", crossed_map.outlines().encode(), drawn)
    yield File(f"yieldmaps/{next_field.NAME}.geojson", next_field.outline().encode(), drawn)
    heights = knoll.survey(np.random.default_rng([seed, 15])).encode()
    yield File("ground/elevation (m).geojson", heights, drawn)
    (cut,) = (s.harvested for s in farm.plan.seasons[field] if s.harvested.year == year)
    if cut <= on:
        points = crossed_map.points(np.random.default_rng([seed, 13]), farm)
        yield File(f"yieldmaps/{field} {year}.csv", points.encode(), probes.clock(cut, 26))


def _write_file(folder: Path, file: File) -> None:
    """Write a file and set its time to when the logger would have left it."""
    path = folder / file.path
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(file.content)
    stamp = (file.written - datetime(1970, 1, 1)) / timedelta(seconds=1)  # noqa: DTZ001
    os.utime(path, (stamp, stamp))


def _book(folder: Path, sheets: dict[str, str], plan: Plan, on: date) -> None:
    """The farm file and the field book: the sheets of the room, and those that were measured."""
    if folder.resolve() != ROOM:
        (folder / "fieldbook").mkdir(exist_ok=True)
        shutil.copyfile(ROOM / "farm.toml", folder / "farm.toml")
        room = {name: (ROOM / "fieldbook" / name).read_bytes().decode() for name in STATIC_SHEETS}
        sheets = later.carried_on(room, plan) | sheets
        if on != horizon(on):
            sheets = {name: later.up_to(text, on) for name, text in sheets.items()}
        sheets |= later.plans(room["prices.csv"], plan, on)
    for name, text in sheets.items():
        (folder / "fieldbook" / name).write_bytes(text.encode())
