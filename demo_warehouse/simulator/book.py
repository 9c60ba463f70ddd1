"""The field book's measured sheets: combine passes from the true yields, and penetrometer pushes.

The true yield of a strip is the crop's grain per mm times the water that it transpired; passes
differ from it by the lie of the land (shared by the two strips of a block) and by weighing.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from demo_warehouse.simulator.crops import CROPS
from demo_warehouse.simulator.farm import Farm
from demo_warehouse.simulator.known import SIDES
from demo_warehouse.simulator.plan import FIRST, LAST, MAPPED, PAN_CM

Array = NDArray[np.float64]
BLOCKS = 5
HEADER_M = 9.14
LENGTH_M = 800.0
LAND_CV = 0.05  # between blocks
PASS_CV = 0.025  # within a block: soil and scale
SCALE_WAGON_SWAPPED = 2024  # from here on in kg and meters: a new scale wagon


def true_yields(farm: Farm) -> pl.DataFrame:
    """Field, season, strip, crop, transpiration in mm and true yield in kg/ha at market moisture."""
    rows = []
    for field, seasons in farm.plan.seasons.items():
        for season in seasons:
            a = (season.seeded - FIRST).days
            b = (season.harvested - FIRST).days + 1
            for side in farm.plan.strips(field):
                used = farm.transpiration[a:b, farm.plan.strip(field, side)].sum()
                rows.append(
                    {
                        "field": field,
                        "season": season.harvested.year,
                        "strip": side,
                        "crop": season.crop,
                        "transpiration_mm": float(used),
                        "yield_kg_ha": float(used * CROPS[season.crop].grain_kg_ha_mm),
                    }
                )
    return pl.DataFrame(rows)


def passes(rng: np.random.Generator, farm: Farm) -> pl.DataFrame:
    """Every weighed pass in SI: blocks of two neighboring passes, one in each strip.

    The season that a yield map was kept of was not weighed.
    """
    truth = true_yields(farm)
    # draws of their own for later seasons and further strips: those on record stay as they are
    after, beside = rng.spawn(2)
    rows = []
    for field, seasons in farm.plan.seasons.items():
        for season in seasons:
            if (field, season.harvested.year) == MAPPED:
                continue
            draw = rng if season.harvested <= LAST else after
            year = season.harvested.year
            land = draw.normal(0, LAND_CV, BLOCKS)
            crop = CROPS[season.crop]
            for side in farm.plan.strips(field):
                draws = draw if side in SIDES else beside
                true = truth.filter(field=field, season=year, strip=side)["yield_kg_ha"][0]
                for block in range(BLOCKS):
                    moisture = float(np.round(crop.moisture_pct + draws.normal(-0.8, 0.5), 1))
                    market = true * (1 + land[block]) * (1 + draws.normal(0, PASS_CV))
                    wet = market * (100 - crop.moisture_pct) / (100 - moisture)
                    length = LENGTH_M - float(draws.integers(0, 25))
                    rows.append(
                        {
                            "field": field,
                            "season": year,
                            "strip": side,
                            "pass": str(block + 1),
                            "day": season.harvested,
                            "mass_kg": wet * length * HEADER_M / 1e4,
                            "length_m": length,
                            "width_m": HEADER_M,
                            "moisture_pct": moisture,
                            "test_weight_kg_hl": crop.test_weight_kg_hl + draws.normal(0, 0.8),
                        }
                    )
    return pl.DataFrame(rows)


def sheets(rng: np.random.Generator, farm: Farm) -> dict[str, str]:
    """The CSV text of the sheets that hold measurements, by file name."""
    weighed = passes(rng, farm)
    new = pl.col("season") >= SCALE_WAGON_SWAPPED
    label = pl.concat_str("field", "season", "strip", "pass", separator=" ")
    drowned, nameless = label == "Coulee 2022 check 4", label == "Gumbo 2025 check 5"
    customary = {
        "day": pl.col("day").dt.strftime("%b %d, %Y"),
        "mass (lb)": ((pl.col("mass_kg") / 4.5359237).round() * 10).cast(pl.Int64),
        "length (ft)": (pl.col("length_m") / 0.3048).round().cast(pl.Int64),
        "width (ft)": pl.lit(30),
        "moisture (%)": pl.col("moisture_pct"),
        "test weight (lb/bu)": (pl.col("test_weight_kg_hl") / 1.2872).round(1),
        "left out": pl.when(drowned).then(pl.lit("yes")),
        "why left out": pl.when(drowned).then(pl.lit("drove through the drowned spot")),
    }
    metric = {
        "strip": pl.when(~nameless).then(pl.col("strip")),
        "pass": pl.col("pass"),
        "day": pl.col("day").dt.strftime("%Y-%m-%d"),
        "mass (kg)": pl.col("mass_kg").round().cast(pl.Int64),
        "length (m)": pl.col("length_m").round().cast(pl.Int64),
        "width (m)": pl.col("width_m"),
        "moisture (%)": pl.col("moisture_pct"),
        "test weight (kg/hL)": pl.col("test_weight_kg_hl").round(1),
    }
    old_sheet = weighed.filter(~new).select("field", "season", "strip", "pass", **customary)
    new_sheet = weighed.filter(new).select("field", "season", **metric)
    return {
        "passes.csv": old_sheet.write_csv(),
        "harvest.csv": new_sheet.write_csv(),
        "penetrometer.csv": _pushes(rng, farm),
    }


def _pushes(rng: np.random.Generator, farm: Farm) -> str:
    """Cone index by depth, three places a strip, each spring of 2021 and 2024."""
    rows = []
    for field in farm.plan.fields:
        top, bottom = PAN_CM[field]
        for year in (2021, 2024):
            day = next(
                s.seeded for s in farm.plan.seasons[field] if s.seeded.year in (year, year - 1)
            )
            day = day.replace(year=year, month=5, day=24)
            for side in SIDES:
                hard = farm.hardness[(day - FIRST).days, farm.plan.strip(field, side)]
                for place in (1, 2, 3):
                    for depth in range(4, 26, 2):
                        cm = depth * 2.54
                        bump = np.exp(-(((cm - (top + bottom) / 2) / 9) ** 2))
                        mpa = 0.75 + 0.012 * cm + 1.9 * hard * bump
                        psi = round(float(mpa * np.exp(rng.normal(0, 0.08))) * 145.0377 / 5) * 5
                        rows.append((field, side, day, place, depth, psi))
    names = ["field", "strip", "day", "place", "depth (in)", "cone index (psi)"]
    return pl.DataFrame(rows, schema=names, orient="row").write_csv()
