"""The compacted layer of a penetrometer profile, and the depth to work below it.

**Profile**: Cone index by depth, pushed and reported as ASABE S313 and EP542 say (30 degree cone,
30 mm/s, soil near field capacity); of several places the median by depth. A profile holds until
the strip's next one. **Compacted layer**: the shallowest stretch of ``LEAST_LAYER_CM`` and more
at or above ``LIMIT_MPA``, its edges where a straight line between two readings crosses the limit.
2 MPa is the usual limit to roots (300 psi: Taylor and Gardner 1963, Soil Science 96:153; Duiker
2002, Pennsylvania State University, Agronomy Facts 63). **Working depth**: ``BELOW_CM`` under it.
"""

import polars as pl

LIMIT_MPA = 2.0
LEAST_LAYER_CM = 5.0
BELOW_CM = 2.5
_STRIP = ["field", "strip"]
_PROFILE = [*_STRIP, "profile_day"]


def compacted(penetrometer: pl.DataFrame) -> pl.DataFrame:
    """The compacted layer of every profile (field, strip, day of the push).

    Columns ``field``, ``strip``, ``profile_day``, ``places``, ``compacted_top_cm``,
    ``compacted_bottom_cm`` (null where it was not reached), ``cone_index_max_mpa``,
    ``working_depth_cm`` and ``hard`` (whether there is a layer at all). Depths in cm, MPa.
    """
    places = penetrometer.group_by(*_STRIP, profile_day="day").agg(
        places=pl.col("place").n_unique().cast(pl.Int64)
    )
    depth, cone = pl.col("depth_cm"), pl.col("cone_index_mpa")

    def crossing(step: int) -> pl.Expr:
        """Depth at which the line to the reading above (1) or below (-1) crosses the limit."""
        other_depth, other = depth.shift(step).over(_PROFILE), cone.shift(step).over(_PROFILE)
        return depth + (cone - LIMIT_MPA) / (cone - other) * (other_depth - depth)

    runs = (
        penetrometer.group_by(*_STRIP, "depth_cm", profile_day="day")
        .agg(pl.col("cone_index_mpa").median())
        .sort(*_PROFILE, "depth_cm")
        .with_columns(
            is_hard=cone >= LIMIT_MPA,
            upper=crossing(1),
            lower=crossing(-1),
            last=depth == depth.max().over(_PROFILE),
        )
        .with_columns(run=pl.col("is_hard").rle_id().over(_PROFILE))
        .filter("is_hard")
        .group_by(*_PROFILE, "run")
        .agg(
            compacted_top_cm=pl.coalesce(pl.col("upper").first(), depth.first()),
            reached=pl.coalesce(pl.col("lower").last(), depth.last()),
            open_below=pl.col("last").any(),
            cone_index_max_mpa=cone.max(),
        )
        .filter(
            (pl.col("reached") - pl.col("compacted_top_cm") >= LEAST_LAYER_CM)
            | pl.col("open_below")
        )
        .sort("run")
        .unique(_PROFILE, keep="first", maintain_order=True)
        .with_columns(compacted_bottom_cm=pl.when(~pl.col("open_below")).then("reached"))
        .with_columns(working_depth_cm=pl.col("compacted_bottom_cm") + BELOW_CM)
        .drop("run", "reached", "open_below")
    )
    return places.join(runs, on=_PROFILE, how="left").with_columns(
        hard=pl.col("compacted_top_cm").is_not_null()
    )
