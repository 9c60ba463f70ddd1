"""Placebo strips on real yield-monitor points: ``python -m tests.bench.bench_yield_map FOLDER``.

FOLDER holds two sets of the open collection agridat (K. Wright, MIT license) as its ``data/`` has them, not
part of this repository: ``gartner.corn.txt`` (one field, every point with flow, seconds, distance and time;
no treatment at all; University of Minnesota, 2011) and ``lasrosas.corn.txt`` (two years of nitrogen strips;
Bongiovanni and Lowenberg-DeBoer 2000; here each rate's mean is taken out, so nothing is left but ground).
Outlines are laid wherever they fit, two strips side by side along the passes, across them, or
repeated over the field; the points go through the same functions that make the tables. Every claim is
false. ``MOST_APART_M`` and the rule for crossings were chosen on all of these fields together, so this judges
neither; positions on one field overlap, so a row is worth far fewer trials than it counts.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import polars as pl

from schemas import generated
from schemas.catalogue import TABLES
from tests.bench.bench_trial import markdown
from tests.transforms.frames import rows
from transforms.trial import (
    mapped_pass,
    response,
    response_along,
    strip_yield,
    yield_point_cleaned,
)
from transforms.trial.methods.map_geometry import plane

FIELD, YEAR = "placebo", 2011
SEASON = rows(
    "season",
    [
        {
            "field": FIELD,
            "season": YEAR,
            "crop": "corn",
            "seeded": date(YEAR, 5, 1),
            "harvested": date(YEAR, 11, 6),
        }
    ],
)
CROP = rows(
    "crop",
    [
        {
            "crop": "corn",
            "base_temp_c": 10.0,
            "upper_temp_c": 30.0,
            "bushel_kg": 25.4,
            "market_moisture_pct": 15.5,
        }
    ],
)
WORK = {
    "operation": rows(
        "operation",
        [
            {
                "field": FIELD,
                "strip": "treated",
                "day": date(YEAR - 1, 10, 20),
                "practice": "none",
            }
        ],
    ),
    "field": rows("field", [{"field": FIELD, "practice": "none"}]),
    "strip": generated.empty(TABLES["strip"]),
}
MONITOR = 0.93  # what the monitor reads of the scale's yield
PASS_ERROR = 0.02  # of a weighed pass
Box = tuple[str, float, float, float, float]  # strip, west, east, south, north [m]
SWATH_M = {
    "gartner": 9.144,
    "lasrosas 1999": 6.8,
    "lasrosas 2001": 7.1,
}  # the latter from the passes' places


def fields(folder: Path) -> dict[str, pl.DataFrame]:
    """Return the points of each field as ``yield_point``."""
    raw = pl.read_csv(folder / "gartner.corn.txt", separator="\t")
    clock = datetime(YEAR, 11, 5, 18, 38, 3, tzinfo=UTC)
    distance = pl.col("dist") * 0.0254
    found = {
        "gartner": raw.select(
            time=pl.lit(clock) + pl.duration(seconds="time"),
            latitude_deg="lat",
            longitude_deg="long",
            yield_kg_ha=pl.col("mass") * 0.45359237 * pl.col("seconds") / distance / 9.144 * 1e4,
            moisture_pct="moist",
            distance_m=distance,
            speed_km_h=distance / pl.col("seconds") * 3.6,
        )
    }
    raw = pl.read_csv(folder / "lasrosas.corn.txt", separator="\t")
    for (year,), part in raw.group_by("year", maintain_order=True):
        y = pl.col("yield")
        found[f"lasrosas {year}"] = part.select(
            latitude_deg="lat",
            longitude_deg="long",
            yield_kg_ha=100 * (y - y.mean().over("nf") + y.mean()),
            moisture_pct=pl.lit(15.5),
        )
    table = TABLES["yield_point"]
    return {
        name: generated.conform(
            points.with_columns(
                field=pl.lit(FIELD),
                season=pl.lit(YEAR),
                map_file=pl.lit(name),
                point=pl.int_range(1, pl.len() + 1),
                width_m=pl.lit(SWATH_M[name]),
            ),
            table,
        )
        for name, points in found.items()
    }


class Ground:
    """A field's points with a frame along its passes, to lay outlines in meters."""

    def __init__(self, points: pl.DataFrame) -> None:
        """Find the frame and the passes by cleaning the whole field as one strip."""
        self.points = points
        lon_lat = points.select("longitude_deg", "latitude_deg").to_numpy()
        self.middle = lon_lat.mean(axis=0)
        self.scale = plane(self.middle[None, :] + 1e-3, self.middle)[0] / 1e-3
        self.axis = np.eye(2)
        xy = plane(lon_lat, self.middle)
        (west, south), (east, north) = xy.min(axis=0) - 30, xy.max(axis=0) + 30
        whole = self.cleaned([("check", west, east, south, north)])
        fit = np.linalg.lstsq(
            whole.select("east_m", "north_m").to_numpy(),
            whole.select("across_m", "ahead_m").to_numpy(),
            rcond=None,
        )[0]
        self.axis = fit.T  # across, ahead
        passes = mapped_pass.derive(whole).filter(pl.col("yield_kg_ha").is_not_null())
        at = xy @ self.axis.T
        # the passes' places in this frame, not about the middle of the outline
        away = self.axis[0] @ np.array([west + east, south + north]) / 2
        self.passes = np.sort(passes["across_m"].to_numpy() + away)
        self.low, self.high = at.min(axis=0), at.max(axis=0)

    def wkt(self, west: float, east: float, south: float, north: float) -> str:
        """Return a box in the frame (across, ahead; m) as well-known text in degrees."""
        corners = [(west, south), (east, south), (east, north), (west, north), (west, south)]
        degrees = self.middle + np.array(corners) @ np.linalg.inv(self.axis).T / self.scale
        return "POLYGON ((" + ", ".join(f"{lon:.9f} {lat:.9f}" for lon, lat in degrees) + "))"

    def outlines(self, boxes: list[Box]) -> pl.DataFrame:
        """Return boxes as ``strip_outline``, several of a strip united."""
        found = {}
        for strip in dict.fromkeys(box[0] for box in boxes):
            own = [self.wkt(*box[1:]).removeprefix("POLYGON ") for box in boxes if box[0] == strip]
            found[strip] = "MULTIPOLYGON (" + ", ".join(own) + ")"
        return rows(
            "strip_outline",
            [{"field": FIELD, "strip": s, "part": 1, "outline": text} for s, text in found.items()],
        )

    def cleaned(self, boxes: list[Box]) -> pl.DataFrame:
        """Return the cleaned points under these outlines."""
        return yield_point_cleaned.derive(self.points, self.outlines(boxes), SEASON, CROP)

    def judged(
        self,
        boxes: list[Box],
        weigh: int = 0,
        gain: float = 0.0,
        mapped: bool = True,
        seed: int = 0,
    ) -> dict[str, object]:
        """Return the row of ``response``, with the share of the points in the strips that were kept.

        ``weigh``: pairs of passes next to the border that were weighed too; ``gain``: a true response, as
        a share; ``mapped``: whether the map was kept.
        """
        points = self.cleaned(boxes)
        grown = pl.when(pl.col("strip") == "treated").then(1 + gain).otherwise(1.0)
        passes = mapped_pass.derive(points).with_columns(pl.col("yield_kg_ha") * grown)
        yields = strip_yield.derive(
            weighed(passes, weigh, seed), passes if mapped else passes.clear(), SEASON, CROP
        )
        row = response.derive(strip_yield=yields, season=SEASON, **WORK).row(0, named=True)
        parts = response_along.derive(points, mapped_pass.derive(points), SEASON)
        return row | {
            "kept": points.filter(pl.col("strip").is_not_null())["kept"].mean(),
            "along": parts["verdict"][0] if parts.height else None,
        }


def weighed(passes: pl.DataFrame, pairs: int, seed: int) -> pl.DataFrame:
    """Return the first blocks' passes as a scale has them, with its error, for ``harvest_pass``."""
    rng = np.random.default_rng(seed)
    found = passes.filter(pl.col("block").is_in([str(n) for n in range(1, pairs + 1)]))
    scale = pl.Series(1 + PASS_ERROR * rng.standard_normal(found.height), dtype=pl.Float64)
    return generated.conform(
        found.select(
            *("field", "season", "strip", "pass", "block"),
            method=pl.lit("scale wagon"),
            yield_kg_ha=pl.col("yield_kg_ha") / MONITOR * scale,
            moisture_pct=pl.lit(15.5),
            left_out=pl.lit(False),
        ),
        TABLES["harvest_pass"],
    )


def along(ground: Ground, swaths: int) -> Iterator[list[Box]]:
    """Yield two strips of so many passes side by side, wherever they fit, as boxes."""
    p, swath = ground.passes, float(np.median(np.diff(ground.passes)))
    for at in range(p.size - 2 * swaths + 1):
        west, border, east = (
            p[at] - swath / 2,
            (p[at + swaths - 1] + p[at + swaths]) / 2,
            p[at + 2 * swaths - 1] + swath / 2,
        )
        yield [
            ("treated", west, border, ground.low[1] - 1, ground.high[1] + 1),
            ("check", border, east, ground.low[1] - 1, ground.high[1] + 1),
        ]


def across(ground: Ground, length: int) -> Iterator[list[Box]]:
    """Yield two strips of a length [m] across all passes, every 20 m, as boxes."""
    for south in np.arange(ground.low[1], ground.high[1] - 2 * length, 20):
        yield [
            ("check", ground.low[0] - 5, ground.high[0] + 5, south, south + length),
            ("treated", ground.low[0] - 5, ground.high[0] + 5, south + length, south + 2 * length),
        ]


def repeated(ground: Ground, swaths: int) -> Iterator[list[Box]]:
    """Yield strips of so many passes, treated and check in turn, four of each, wherever they fit."""
    p, swath = ground.passes, float(np.median(np.diff(ground.passes)))
    for at in range(p.size - 8 * swaths + 1):
        yield [
            (
                "check" if k % 2 else "treated",
                p[at + k * swaths] - swath / 2,
                p[at + (k + 1) * swaths - 1] + swath / 2,
                ground.low[1] - 1,
                ground.high[1] + 1,
            )
            for k in range(8)
        ]


LAYS = {
    "passes a strip, driven along": (along, (2, 3, 5, 8, 12)),
    "m, crossed": (across, (50, 100, 150)),
    "passes, four times each": (repeated, (1, 2, 3)),
}


def table(grounds: dict[str, Ground]) -> Iterator[dict[str, object]]:
    """Yield a row for each field and size of strips."""
    for name, ground in grounds.items():
        for what, (lay, sizes) in LAYS.items():
            for size in sizes:
                found = [ground.judged(boxes) for boxes in lay(ground, size)]
                if not found:
                    continue
                claims = [r["verdict"] in ("gain", "loss") for r in found]
                widths = [
                    r["response_high_pct"] - r["response_low_pct"]
                    for r in found
                    if r["response_high_pct"] is not None
                ]
                yield {
                    "field": name,
                    "strips": f"{size} {what}",
                    "places": len(found),
                    "points kept %": 100 * float(np.mean([r["kept"] for r in found])),
                    "blocks": float(np.mean([r["blocks"] for r in found])),
                    "half interval %": float(np.median(widths)) / 2 if widths else None,
                    "claimed %": 100 * float(np.mean(claims)),
                    "along them claimed %": 100
                    * float(np.mean([r["along"] == "differs" for r in found])),
                }


def both(grounds: dict[str, Ground]) -> Iterator[dict[str, object]]:
    """Yield what two weighed pairs say alone, and with the map of all passes, without and with 10% more."""
    for name, ground in grounds.items():
        for size in (3, 5, 8):
            places = list(along(ground, size))[:: max(size // 2, 1)]
            row: dict[str, object] = {"field": name, "passes a strip": size, "places": len(places)}
            for what, mapped in (("weighed alone", False), ("weighed and mapped", True)):
                for gain in (0.0, 0.1):
                    found = [
                        ground.judged(boxes, 2, gain, mapped, seed)
                        for seed, boxes in enumerate(places)
                    ]
                    claims = [r["verdict"] in ("gain", "loss") for r in found]
                    row[f"{what}, {gain:.0%}: claimed %"] = 100 * float(np.mean(claims))
            yield row


def main(folder: str) -> None:
    """Print the section of FIGURES.md."""
    grounds = {name: Ground(points) for name, points in fields(Path(folder)).items()}
    print(markdown(list(both(grounds))))
    print(markdown(list(table(grounds)))) if "--both" not in sys.argv else None


if __name__ == "__main__":
    main(sys.argv[1])
