"""operation_depth: how far each working reached into the compacted layer, and the soil's state there."""

import polars as pl

from schemas import generated
from schemas.cautions import WORKING
from schemas.tables.soil.operation_depth import TABLE
from transforms.methods.texts import joined
from transforms.soil.methods import tillage_limits
from transforms.soil.methods.compacted_layer import compacted

WORK = ["field", "strip", "day", "practice"]
LAYER = ["compacted_top_cm", "compacted_bottom_cm", "cone_index_max_mpa", "working_depth_cm"]


def derive(
    operation_fuel: pl.DataFrame, penetrometer: pl.DataFrame, field: pl.DataFrame
) -> pl.DataFrame:
    """Compare each operation's depth with the compacted layer, and name the soil's state.

    Depths in cm, cone index in MPa. The layer is that of ground not yet worked: of the worked strip's
    last profile before its first working, else of the check strip's profile nearest to the day of the
    work (as long as the check was not worked itself). One number tells the soil's state: the share of
    available water at the working depth that ``operation_fuel`` has, of one day. Its word comes from
    published friable limits of the field's texture, as in ``working_window`` (``tillage_limits``). The
    layer after the work is that of the worked strip's first profile after it, and of the check strip's
    of the same day.
    """
    works = operation_fuel.filter(pl.col("depth_cm").is_not_null()).select(
        *WORK, "working", "depth_cm", "soil_water_day", "vwc_pct", "available_water_share"
    )
    if works.is_empty():
        return generated.empty(TABLE)
    profiles = compacted(penetrometer)
    rows = (
        works.join(_unworked(works, profiles), on=WORK, how="left")
        .join(_after(works, profiles), on=WORK, how="left")
        .join(tillage_limits.by_field(field), on="field", how="left")
    )
    return generated.conform(_judged(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _unworked(works: pl.DataFrame, profiles: pl.DataFrame) -> pl.DataFrame:
    """The profile of ground not yet worked that each operation is compared with."""
    first = works.group_by("field", "strip").agg(first_day=pl.col("day").min())
    untouched = (
        profiles.join(first, on=["field", "strip"], how="left")
        .filter(pl.col("first_day").is_null() | (pl.col("profile_day") <= pl.col("first_day")))
        .select("field", "profile_day", "hard", *LAYER, side="strip")
    )
    own = pl.col("side") == pl.col("strip")
    apart = (pl.col("profile_day") - pl.col("day")).dt.total_days().abs()
    return (
        works.select(*WORK)
        .join(untouched, on="field")
        .filter(own | (pl.col("side") == "check"))
        .sort(~own, apart, "profile_day")
        .unique(WORK, keep="first", maintain_order=True)
        .with_columns(
            layer_of=pl.when(own).then(pl.lit("worked strip")).otherwise(pl.lit("check strip"))
        )
        .drop("side")
    )


def _after(works: pl.DataFrame, profiles: pl.DataFrame) -> pl.DataFrame:
    """The layers of both strips on the day of the worked strip's first profile after the work."""
    later = works.select(
        *WORK, next_day=pl.col("day").shift(-1).over("field", "strip", order_by="day")
    )
    found = (
        later.join(profiles, on=["field", "strip"])
        .filter(
            (pl.col("profile_day") > pl.col("day"))
            & (pl.col("profile_day") <= pl.col("next_day")).fill_null(True)
        )
        .group_by(*WORK)
        .agg(after_day=pl.col("profile_day").min())
    )
    for side in ("treated", "check"):
        layer = profiles.filter(pl.col("strip") == side).select(
            "field",
            after_day="profile_day",
            **{
                f"after_{side}_layer": "hard",
                f"after_{side}_top_cm": "compacted_top_cm",
                f"after_{side}_bottom_cm": "compacted_bottom_cm",
                f"after_{side}_max_mpa": "cone_index_max_mpa",
            },
        )
        found = found.join(layer, on=["field", "after_day"], how="left")
    return found


def _judged(rows: pl.DataFrame) -> pl.DataFrame:
    """Add reach, state, caution, coverage and reasons."""
    depth, top, bottom = (
        pl.col(n) for n in ("depth_cm", "compacted_top_cm", "compacted_bottom_cm")
    )
    share = pl.col("available_water_share")
    has_profile, hard = pl.col("profile_day").is_not_null(), pl.col("hard").fill_null(False)
    known = (has_profile, ~hard | bottom.is_not_null(), share.is_not_null())
    return rows.with_columns(
        reach=pl.when(depth <= top)
        .then(pl.lit("above the layer"))
        .when(depth < bottom)
        .then(pl.lit("in the layer"))
        .when(depth >= bottom)
        .then(pl.lit("below the layer")),
        short_of_bottom_cm=pl.when(depth < bottom).then(bottom - depth),
        past_bottom_cm=pl.when(depth >= bottom).then(depth - bottom),
        soil_state=tillage_limits.state(share),
        caution=pl.lit(WORKING),
        coverage=pl.mean_horizontal(one.cast(pl.Float64) for one in known),
        reason=joined(
            pl.when(~has_profile).then(
                pl.lit("no penetrometer profile of ground that was not worked yet")
            ),
            pl.when(has_profile & ~hard).then(pl.lit("no layer at 2 MPa or more in the profile")),
            pl.when(hard & bottom.is_null()).then(
                pl.lit("hard to the end of the profile: push deeper to find its bottom")
            ),
            pl.when(share.is_null()).then(
                pl.lit("no soil water at the working depth is known near the day of the work")
            ),
        ),
    ).with_columns(partial=pl.col("coverage") < 1)
