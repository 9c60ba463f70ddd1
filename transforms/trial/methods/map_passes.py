"""Passes of a yield map: which points the combine drove in one line, along the strips or across them.

Direction comes from travel: the axis along which the combine drove farthest inside the strips, either
way. A line is straight travel along that axis without a gap and without turning back. Lines whose
distance across the axis differs by less than half a swath are one place, so a pass that a gap or a stop
broke is still one pass; a scrap of a line (a turn, a shunt) belongs to the place it lies on, else to
none. Where most of the way inside the strips is on lines that hold two strips or more, the strips were crossed.
"""

import polars as pl

ALONG = 0.7  # cosine between travel and the axis: 45 degrees
GAP_S, GAP_M = 15.0, 40.0
ASSUMED_WIDTH_M = 9.0  # only to tell places apart where the export has no widths
FULL_SWATH = 0.95  # quantile of the widths
LEAST_LINE_M = 20.0  # a shorter line makes no place of its own
# why a point is removed: the swath lies on two treatments
OVER_EDGE_WHY = "the swath reaches over the strip's edge"

MAP = ["field", "season", "map_file"]
SEASON = ["field", "season"]


def with_travel(points: pl.DataFrame) -> pl.DataFrame:
    """Add steps, stretches without a gap, and the part of each step along and the place across the axis.

    ``points``: in the order they were driven, with ``east_m``, ``north_m``, ``time``, ``strip`` and
    ``pass`` (null unless the export names it). Adds ``step_m``, ``step_s`` (since the point before),
    ``stretch``, ``along`` (cosine with the axis, negative on the way back; null without a step),
    ``ahead_m`` and ``across_m`` (from the middle, along the axis and across it).
    """
    points = points.with_columns(
        step_s=pl.col("time").diff().over(MAP).dt.total_milliseconds() / 1000,
        step_m=(
            pl.col("east_m").diff().over(MAP) ** 2 + pl.col("north_m").diff().over(MAP) ** 2
        ).sqrt(),
    )
    gap = (
        (pl.col("step_s") > GAP_S).fill_null(False)
        | (pl.col("step_m") > GAP_M).fill_null(False)
        | pl.col("pass").ne_missing(pl.col("pass").shift().over(MAP))
    )
    points = points.with_columns(
        stretch=gap.cum_sum().over(MAP), step_m=pl.when(~gap).then("step_m")
    )
    east, north = _step("east_m"), _step("north_m")
    points = points.with_columns(__east=east, __north=north).with_columns(
        __length=(pl.col("__east") ** 2 + pl.col("__north") ** 2).sqrt()
    )
    # Directions doubled, so that there and back are one; weighted by the way driven.
    inside = pl.col("strip").is_not_null() & (pl.col("__length") > 0)
    twice_east = (pl.col("__east") ** 2 - pl.col("__north") ** 2) / pl.col("__length")
    twice_north = 2 * pl.col("__east") * pl.col("__north") / pl.col("__length")
    axis = (
        pl.arctan2(twice_north.filter(inside).sum(), twice_east.filter(inside).sum()).over(SEASON)
        / 2
    )
    return (
        points.with_columns(__axis=axis)
        .with_columns(
            along=pl.when(pl.col("__length") > 0).then(
                (
                    pl.col("__east") * pl.col("__axis").cos()
                    + pl.col("__north") * pl.col("__axis").sin()
                )
                / pl.col("__length")
            ),
            ahead_m=pl.col("east_m") * pl.col("__axis").cos()
            + pl.col("north_m") * pl.col("__axis").sin(),
            across_m=pl.col("north_m") * pl.col("__axis").cos()
            - pl.col("east_m") * pl.col("__axis").sin(),
        )
        .drop("__east", "__north", "__length", "__axis")
    )


def _step(name: str) -> pl.Expr:
    """Return the way from the point before to the point after, within a stretch."""
    here, stretch = pl.col(name), [*MAP, "stretch"]
    before, after = here.shift().over(stretch), here.shift(-1).over(stretch)
    return pl.coalesce(after, here) - pl.coalesce(before, here)


def with_passes(points: pl.DataFrame) -> pl.DataFrame:
    """Add ``line``, ``crossed``, the name of the pass, and the way since and until the ends of both.

    ``points``: as ``with_travel`` leaves them, with ``distance_m`` and ``width_m``. A point that
    belongs to no line has neither. ``pass``: as the export names it, else the number of the place in
    the order they were driven, within its strip, or over both strips where they were crossed
    (``crossed``). ``run``: the part of a line inside one strip.
    """
    points = _with_lines(points).with_columns(
        crossed=_crossed(), full_m=pl.col("width_m").quantile(FULL_SWATH).over(MAP)
    )
    points = points.with_columns(
        run=pl.when(pl.col("line").is_not_null()).then(
            pl.col("strip").ne_missing(pl.col("strip").shift().over(MAP)).cum_sum().over(MAP)
        ),
        __group=pl.when("crossed").then(pl.lit("both")).otherwise("strip"),
    )
    points = points.join(_places(points), on=[*MAP, "__group", "line"], how="left")
    place = pl.coalesce("pass", "place")
    belongs = pl.col("strip").is_not_null() & pl.col("line").is_not_null()
    points = points.with_columns(pl.when(belongs).then(place).alias("pass")).sort(*MAP, "point")
    lines, runs = [*MAP, "line"], [*MAP, "line", "run"]
    clock = pl.col("time")
    return points.with_columns(
        along_m=_since(runs),
        along_line_m=_since(lines),
        since_start_s=_seconds(clock - clock.min().over(lines)),
        until_end_s=_seconds(clock.max().over(lines) - clock),
        run_since_start_s=_seconds(clock - clock.min().over(runs)),
        run_until_end_s=_seconds(clock.max().over(runs) - clock),
    ).with_columns(
        until_end_m=pl.col("along_m").max().over(runs) - pl.col("along_m"),
        until_end_line_m=pl.col("along_line_m").max().over(lines) - pl.col("along_line_m"),
    )


def _with_lines(points: pl.DataFrame) -> pl.DataFrame:
    """Number the lines: straight travel one way; where passes are named, the stretches themselves."""
    named = pl.col("pass").is_not_null()
    straight = (pl.col("along").abs() >= ALONG).fill_null(False)
    way = pl.when(straight).then(pl.col("along").sign()).forward_fill().over([*MAP, "stretch"])
    turned = pl.col("stretch").ne_missing(pl.col("stretch").shift().over(MAP)) | (
        ~named & straight & way.ne_missing(way.shift().over(MAP))
    )
    return points.with_columns(line=pl.when(straight | named).then(turned.cum_sum().over(MAP)))


def _crossed() -> pl.Expr:
    """Whether most of the way inside the strips is on lines that hold a fair part of two or more."""
    way = pl.col("step_m").fill_null(0.0)
    fair = way.sum().over([*MAP, "line", "strip"]) >= LEAST_LINE_M
    inside = pl.col("strip").is_not_null() & pl.col("line").is_not_null()
    several = pl.col("strip").filter(inside & fair).n_unique().over([*MAP, "line"]) >= 2
    return way.filter(inside & several).sum().over(MAP) > way.filter(inside).sum().over(MAP) / 2


def _places(points: pl.DataFrame) -> pl.DataFrame:
    """Return the place of each line of a map, as text, by strip or for both (``__group``)."""
    group = [*MAP, "__group"]
    lines = (
        points.filter(pl.col("line").is_not_null() & pl.col("strip").is_not_null())
        .group_by(*group, "line", maintain_order=True)
        .agg(
            pl.col("across_m").mean(),
            way=pl.col("distance_m").fill_null(0.0).sum(),
            first=pl.col("point").min(),
            half=pl.col("full_m").first().fill_null(ASSUMED_WIDTH_M) / 2,
        )
        .sort(*group, "across_m")
    )
    apart = (pl.col("across_m").diff().over(group) > pl.col("half")).fill_null(False)
    long = lines.filter(pl.col("way") >= LEAST_LINE_M)
    long = long.with_columns(at=apart.cum_sum().over(group))
    long = long.with_columns(
        place=pl.col("first").min().over(*group, "at").rank("dense").over(group).cast(pl.String)
    )
    scraps = lines.join(long, on=[*group, "line"], how="anti")
    near = scraps.sort("across_m").join_asof(
        long.select(*group, "across_m", "place", nearest="across_m").sort("across_m"),
        on="across_m",
        by=group,
        strategy="nearest",
        check_sortedness=False,
    )
    close = (pl.col("across_m") - pl.col("nearest")).abs() <= pl.col("half")
    near = near.with_columns(place=pl.when(close).then("place"))
    columns = [*group, "line", "place"]
    return pl.concat([long.select(columns), near.select(columns)])


def _since(keys: list[str]) -> pl.Expr:
    way = pl.col("distance_m").fill_null(0.0).cum_sum().over(keys)
    return way - way.first().over(keys)


def _seconds(span: pl.Expr) -> pl.Expr:
    return span.dt.total_milliseconds() / 1000
