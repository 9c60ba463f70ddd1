"""Points of a yield map, each kept or removed by a published general rule.

The rules, in this order; the first that holds is the reason:

1. no yield, or a moisture no grain has (Simbahan, Dobermann and Ping 2004, step 3);
2. outside both strips, or the swath reaches over the strip's edge (so part of another treatment);
3. turning: not the way that the combine drove most inside the strips; or a scrap of a line where
   no pass is;
4. start and end of a pass, while the machine fills and empties (Simbahan et al. 2004, step 2;
   Sudduth and Drummond 2007); where the strips were crossed, ``OUTLINE_M`` on both sides of an
   outline (common practice, no source), and start and end of the whole line;
5. speed beyond its limits, or changing between neighboring points (Sudduth and Drummond 2007);
6. narrow swath (Sudduth and Drummond 2007);
7. yield beyond what the crop can bear (Simbahan et al. 2004, step 4);
8. yield more than three standard deviations from the strip's mean (Vega et al. 2019), and as far
   from the median of its neighbors (our own addition: a poor patch is part of the strip's yield);
9. local outlier: significantly unlike its neighbors within 40 m by the local Moran index
   (Vega et al. 2019; index and moments Anselin 1995).

Rules 8 and 9 look at one strip at a time: over both strips together they would trim the better
strip from above and the worse from below, and so shrink the response.

The lag between cut and grain sensor is taken off first (``map_lag``).

Sources: Simbahan et al. 2004, Agronomy Journal 96, 1091-1102, doi:10.2134/agronj2004.1091 (steps
read in the abstract). Sudduth and Drummond 2007, Agronomy Journal 99, 1471-1482,
doi:10.2134/agronj2006.0326 (list of filters read). Vega et al. 2019, Precision Agriculture 20,
1030-1044, doi:10.1007/s11119-018-09632-8 (abstract; the 3 standard deviations and 40 m read in
documentation of the authors' code). Anselin 1995, Geographical Analysis 27, 93-115. DOIs and the
other numbers below are from memory or common practice, no source.
"""

import numpy as np
import polars as pl
import shapely

from schemas import generated
from schemas.fieldbook.words import HIGHEST_YIELD_KG_HA, HIGHEST_YIELD_OTHERWISE_KG_HA
from schemas.tables.trial.yield_point_cleaned import TABLE
from transforms.trial.methods.map_geometry import (
    as_book,
    from_other,
    local_moran,
    neighbor_median,
    plane,
)
from transforms.trial.methods.map_lag import with_lag
from transforms.trial.methods.map_passes import ALONG, MAP, OVER_EDGE_WHY, with_passes, with_travel
from transforms.trial.methods.market_moisture import at_market_moisture

MOISTURE_PCT = (2.0, 45.0)
START_S, END_S = 12.0, 6.0
START_M, END_M = 20.0, 10.0  # where the export has no times
SPEED_KM_H = (1.0, 14.0)
SPEED_CHANGE = 0.2
NARROW = 0.8  # of the full swath
OVER_EDGE = 0.2  # share of the swath beyond the strip's edge
# Where the strips are crossed, on both sides of an outline: the combine mixes the grain of some
# seconds (15 m are 7.5 s at 7 km/h)
OUTLINE_M = 15.0
SPREADS = 3.0
NEIGHBORS_M = 40.0
UNLIKE_P = 0.05

STRIP = [*MAP, "strip"]
RUN = [*MAP, "line", "run"]


def derive(
    yield_point: pl.DataFrame,
    strip_outline: pl.DataFrame,
    season: pl.DataFrame,
    crop: pl.DataFrame,
) -> pl.DataFrame:
    """Every point of every map with its strip, pass, yield at market moisture, and its fate.

    The width of the cut is that written, else rows times row spacing. Without an outline of the
    field's strips the strip is what the export says.
    """
    if yield_point.is_empty():
        return generated.empty(TABLE)
    names = season.select("field").unique()
    crops = season.select("field", "season", "crop").join(
        crop.select("crop", "market_moisture_pct", "bushel_kg"), on="crop", how="left"
    )
    points = as_book(yield_point, names).join(crops, on=["field", "season"], how="left")
    strip_outline = as_book(strip_outline, names)
    points = points.sort(*MAP, "point").with_columns(
        width_m=pl.coalesce("width_m", pl.col("cut_rows") * pl.col("row_spacing_m"))
    )
    points = pl.concat(
        _on_plane(one, strip_outline) for one in points.partition_by(MAP, maintain_order=True)
    )
    points = with_passes(_with_speed(with_travel(points)))
    points = _cleaned(_with_yield(with_lag(points)))
    return generated.conform(
        points.select(pl.selectors.by_name(TABLE.names, require_all=False)), TABLE
    ).sort(TABLE.key)


def _in_season(outlines: pl.DataFrame, points: pl.DataFrame) -> pl.DataFrame:
    """Strip, block and outline of a map's field: those of its season, else those of any."""
    own = outlines.filter(pl.col("field") == points["field"][0])
    of_season = own.filter(pl.col("season") == points["season"][0])
    chosen = own.filter(pl.col("season").is_null()) if of_season.is_empty() else of_season
    return chosen.select("strip", "block", "outline")


def _on_plane(points: pl.DataFrame, outlines: pl.DataFrame) -> pl.DataFrame:
    """Points of one map on a plane: the strip each lies in, its distance from edge and border."""
    lon_lat = points.select("longitude_deg", "latitude_deg").to_numpy()
    parts = [
        (strip, block, shapely.from_wkt(text))
        for strip, block, text in _in_season(outlines, points).rows()
    ]
    # One middle for all maps of a field, so that their passes lie on one plane.
    middle = np.array(
        shapely.unary_union([shape for *_, shape in parts]).envelope.centroid.coords[0]
        if parts
        else lon_lat.mean(axis=0)
    )
    xy = plane(lon_lat, middle)
    parts = [(s, b, shapely.transform(shape, lambda p: plane(p, middle))) for s, b, shape in parts]
    shapes = {
        name: shapely.unary_union([shape for strip, _, shape in parts if strip == name])
        for name in dict.fromkeys(strip for strip, *_ in parts)
    }
    strip = points["strip"].to_numpy().astype(object)
    block = np.full(len(xy), None, dtype=object)
    edge = np.full(len(xy), np.nan)
    if shapes:
        strip = np.full(len(xy), None, dtype=object)
    for name, shape in shapes.items():
        inside = shapely.contains_xy(shape, xy)
        strip[inside] = name
        edge[inside] = shapely.distance(shape.boundary, shapely.points(xy[inside]))
    for name, named, shape in parts:
        block[(strip == name) & shapely.contains_xy(shape, xy)] = named
    return points.with_columns(
        pl.Series("strip", strip.tolist(), dtype=pl.String),
        pl.Series("block", block.tolist(), dtype=pl.String),
        pl.Series("east_m", xy[:, 0]),
        pl.Series("north_m", xy[:, 1]),
        pl.Series("edge_m", edge).fill_nan(None),
        pl.Series("border_m", from_other(xy, strip, shapes)).fill_nan(None),
    )


def _with_speed(points: pl.DataFrame) -> pl.DataFrame:
    """Distance and speed of each point, from the export where it says them."""
    step_s = pl.coalesce("interval_s", "step_s")
    step_m = pl.coalesce("distance_m", "step_m")
    return points.with_columns(
        written_distance_m=pl.col("distance_m"),
        distance_m=step_m,
        speed_km_h=pl.coalesce("speed_km_h", pl.when(step_s > 0).then(step_m / step_s * 3.6)),
    )


def _with_yield(points: pl.DataFrame) -> pl.DataFrame:
    """Yield at market moisture: as written, else from the flow over the ground that was cut.

    Flow x seconds over distance x width, where the export has all four; else over speed x width.
    """
    wet = pl.col("moisture_pct")
    market = pl.col("market_moisture_pct")
    bushel = pl.col("bushel_kg")
    grain = pl.col("flow_kg_s") * pl.col("interval_s")
    cut = pl.col("written_distance_m") * pl.col("width_m")
    covered = pl.col("speed_km_h") / 3.6 * pl.col("width_m")  # m2 a second
    dry = pl.coalesce("market_yield_kg_ha", pl.col("market_yield_bu_ha") * bushel)
    gross = pl.coalesce(
        "yield_kg_ha",
        pl.col("yield_bu_ha") * bushel,
        pl.when(cut > 0).then(grain / cut * 10_000),
        pl.when(covered > 0).then(pl.col("flow_kg_s") / covered * 10_000),
    )
    in_bushels = pl.col("yield_bu_ha").is_not_null() | pl.col("market_yield_bu_ha").is_not_null()
    none = gross.is_null() & dry.is_null()
    return points.with_columns(
        yield_kg_ha=pl.coalesce(
            pl.when(market.is_not_null()).then(dry),
            at_market_moisture(gross, pl.coalesce(wet, market), market),
        ),
        partial=wet.is_null() & dry.is_null(),
        reason=pl.when(market.is_null())
        .then(pl.lit("the crop of this field and season, or its market moisture, is not known"))
        .when(none & in_bushels)
        .then(pl.lit("the yield is in bushels and the crop list has no bushel weight for the crop"))
        .when(none)
        .then(pl.lit("neither a yield nor flow, speed or seconds and distance, and width"))
        .when(wet.is_null() & dry.is_null())
        .then(pl.lit("moisture not given, taken as market moisture")),
    )


def _cleaned(points: pl.DataFrame) -> pl.DataFrame:
    """Add ``kept`` and ``removed_because``, the first rule that removes the point."""
    points = points.with_columns(removed_because=_rule_by_rule()).with_columns(
        kept=pl.col("removed_because").is_null()
    )
    points = pl.concat(_far(one) for one in points.partition_by(STRIP, maintain_order=True))
    why = "yield more than 3 standard deviations from the strip's mean"
    points = _remove(points, pl.col("far"), why)
    points = pl.concat(_unlike(one) for one in points.partition_by(STRIP, maintain_order=True))
    return _remove(points, pl.col("unlike"), "unlike the points near it")


def _remove(points: pl.DataFrame, where: pl.Expr, why: str) -> pl.DataFrame:
    hit = pl.col("kept") & where.fill_null(False)
    return points.with_columns(
        removed_because=pl.when(hit).then(pl.lit(why)).otherwise("removed_because"),
        kept=pl.col("kept") & ~hit,
    )


def _rule_by_rule() -> pl.Expr:
    moisture, speed, width = pl.col("moisture_pct"), pl.col("speed_km_h"), pl.col("width_m")
    before = pl.col("speed_km_h").shift().over(RUN)
    full = pl.col("full_m")
    crossed = pl.col("crossed")
    timed = pl.col("since_start_s").is_not_null()

    def ends(clock: str, way: str, least_s: float, least_m: float) -> pl.Expr:
        """Near an end of the line, or of its part inside the strip where it is driven along."""
        by_clock = pl.when(crossed).then(clock).otherwise("run_" + clock) < least_s
        by_way = pl.when(crossed).then(way.replace("_m", "_line_m")).otherwise(way) < least_m
        return pl.when(timed).then(by_clock).otherwise(by_way)

    highest = pl.col("crop").replace_strict(
        HIGHEST_YIELD_KG_HA, default=HIGHEST_YIELD_OTHERWISE_KG_HA, return_dtype=pl.Float64
    )
    near_outline = pl.min_horizontal("along_m", "until_end_m") < OUTLINE_M
    rules = {
        "no yield": pl.col("yield_kg_ha").is_null(),
        "moisture no grain has": ~moisture.is_between(*MOISTURE_PCT),
        "outside both strips": pl.col("strip").is_null(),
        OVER_EDGE_WHY: pl.col("edge_m") < (0.5 - OVER_EDGE) * pl.coalesce(width, full),
        "turning": (pl.col("along").abs() < ALONG).fill_null(False) & pl.col("line").is_null(),
        "too short to be a pass": pl.col("pass").is_null(),
        "start of the pass": ends("since_start_s", "along_m", START_S, START_M),
        "end of the pass": ends("until_end_s", "until_end_m", END_S, END_M),
        "crossing the outline, where grain of both sides mixes": crossed & near_outline,
        "too slow or too fast": ~speed.is_between(*SPEED_KM_H),
        "speed changes": (speed / before - 1).abs() > SPEED_CHANGE,
        "narrow swath": width < NARROW * full,
        "yield beyond what the crop can bear": ~pl.col("yield_kg_ha").is_between(
            0, highest, closed="right"
        ),
    }
    reason = pl.lit(None, pl.String)
    for why, holds in reversed(rules.items()):
        reason = pl.when(holds.fill_null(False)).then(pl.lit(why)).otherwise(reason)
    return reason


def _far(points: pl.DataFrame) -> pl.DataFrame:
    """Marks the kept points of one strip that are far from its mean and from their neighbors."""
    kept = points["kept"].to_numpy()
    y = points["yield_kg_ha"].to_numpy()[kept]
    far = np.zeros(len(y), dtype=bool)
    if len(y) > 1:
        limit = SPREADS * y.std(ddof=1)
        far = np.abs(y - y.mean()) > limit
        xy = points.filter("kept").select("east_m", "north_m").to_numpy()
        near = neighbor_median(xy, y, far, NEIGHBORS_M)
        far[far] = np.abs(y[far] - near) > limit
    marked = np.zeros(len(points), dtype=bool)
    marked[kept] = far
    return points.with_columns(pl.Series("far", marked))


def _unlike(points: pl.DataFrame) -> pl.DataFrame:
    """Marks the kept points of one strip that are significantly unlike their neighbors."""
    kept = points["kept"].to_numpy()
    unlike = np.zeros(len(points), dtype=bool)
    good = points.filter("kept")
    index, p = local_moran(
        good.select("east_m", "north_m").to_numpy(), good["yield_kg_ha"].to_numpy(), NEIGHBORS_M
    )
    unlike[kept] = (index < 0) & (p < UNLIKE_P)
    return points.with_columns(pl.Series("unlike", unlike))
