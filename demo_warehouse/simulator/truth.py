"""Writes what really happened, for tests and for curious readers; no transform reads it."""

from pathlib import Path

import numpy as np
import polars as pl

from demo_warehouse.simulator import book, known
from demo_warehouse.simulator.farm import Farm
from demo_warehouse.simulator.ground import THICK_MM, layer_weights
from demo_warehouse.simulator.ledger import Ledger
from demo_warehouse.simulator.plan import FIRST

README = """What really happened on the invented farm, beside what its instruments said.

root.csv     by site-year, strip and depth: the day the root front passed the depth, and the first
             of three days on which the 10 cm around it gave 0.1 mm or more a day
day.parquet  by strip and day: rain, evaporation, transpiration, drainage out of the column at
             2.05 m, runoff, storage, root front
uptake.parquet  by strip, sensor depth and day: water taken up from the sensor's layer, and its storage
yield.csv    the yield of each strip at market moisture, and the water that it transpired
faults.csv   every fault that was put into the files, and what should become of it
"""


def _labeled(frame: pl.DataFrame, **labels: str | float) -> pl.DataFrame:
    """Put columns of one value each before the others."""
    return frame.select(*(pl.lit(value).alias(name) for name, value in labels.items()), pl.all())


def root(farm: Farm) -> pl.DataFrame:
    """The true root dates of every site-year."""
    parts = []
    for i, (field, seasons) in enumerate(farm.plan.seasons.items()):
        depths = farm.plan.probe_depths(f"{field} treated probe")
        for season in seasons:
            site = known.Site(farm.weather[i], season, depths, i)
            for side in known.SIDES:
                frame = known.roots(site, farm.water, farm.plan.strip(field, side))
                year = season.harvested.year
                parts.append(_labeled(frame, field=field, season=year, strip=side))
    return pl.concat(parts)


def day(farm: Farm) -> pl.DataFrame:
    """The true water of every strip by day."""
    parts = []
    w = farm.water
    days = known.day_list(FIRST, len(w.storage_mm))
    for i, field in enumerate(farm.plan.fields):
        rain = farm.weather[i].rain_mm.reshape(-1, 24).sum(axis=1)
        for side in known.SIDES:
            s = farm.plan.strip(field, side)
            frame = pl.DataFrame(
                {
                    "day": days,
                    "rain_mm": rain,
                    "evaporation_mm": w.evaporation_mm[:, s],
                    "transpiration_mm": farm.transpiration[:, s],
                    "drainage_mm": w.drainage_mm[:, s],
                    "runoff_mm": w.runoff_mm[:, s],
                    "storage_mm": w.storage_mm[:, s],
                    "front_cm": w.front_cm[:, s],
                    "hardness": farm.hardness[:, s],
                }
            )
            parts.append(_labeled(frame, field=field, strip=side))
    return pl.concat(parts)


def uptake(farm: Farm) -> pl.DataFrame:
    """The true uptake and storage of every sensor's layer by day."""
    parts = []
    days = known.day_list(FIRST, len(farm.water.storage_mm))
    for field in farm.plan.fields:
        depths = farm.plan.probe_depths(f"{field} treated probe")
        weights = layer_weights(depths)
        for side in known.SIDES:
            s = farm.plan.strip(field, side)
            taken = farm.water.uptake_mm[:, s] @ weights.T
            held = farm.water.theta[23::24, s].astype(np.float64) @ (weights * THICK_MM).T
            for k, depth in enumerate(depths):
                frame = pl.DataFrame(
                    {"day": days, "uptake_mm": taken[:, k], "storage_mm": held[:, k]}
                )
                parts.append(_labeled(frame, field=field, strip=side, depth_cm=float(depth)))
    return pl.concat(parts)


def write(folder: Path, farm: Farm, ledger: Ledger) -> None:
    """Write the truth into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "README.txt").write_text(README, encoding="utf-8", newline="\n")
    root(farm).write_csv(folder / "root.csv")
    day(farm).write_parquet(folder / "day.parquet")
    uptake(farm).write_parquet(folder / "uptake.parquet")
    book.true_yields(farm).write_csv(folder / "yield.csv")
    ledger.frame().write_csv(folder / "faults.csv")
