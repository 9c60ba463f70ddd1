"""Where the compacted layer lies, and on which days the soil below it is dry enough to shatter.

The layer and the working depth below it are those of ``compacted_layer``.

**Dry enough**: the layer of the probe that holds the working depth, as share of its available water,
against the limits between which the field's texture is friable (``tillage_limits``, as in
``operation_depth``): drier it breaks into clods and pulls hard, wetter it smears. Roll a thread of soil
from working depth before you believe a table. The surface's bearing is not judged.
"""

import polars as pl

from schemas import generated
from schemas.cautions import WORKING
from schemas.tables.soil.working_window import TABLE
from transforms.methods import crop_days
from transforms.methods.texts import joined
from transforms.soil.methods import tillage_limits
from transforms.soil.methods.compacted_layer import compacted

# Without a push no compacted layer is known.
NEEDS = "penetrometer"
# Pushed in soil drier than this, a profile says as much of dryness as of compaction.
MOIST = 0.7
_STRIP = ["field", "strip"]
_PROFILE = [*_STRIP, "profile_day"]


def derive(
    penetrometer: pl.DataFrame,
    soil_water_day: pl.DataFrame,
    season: pl.DataFrame,
    field: pl.DataFrame,
) -> pl.DataFrame:
    """Make one row a strip and day since its first profile."""
    if penetrometer.is_empty() or soil_water_day.is_empty():
        return generated.empty(TABLE)
    layers = soil_water_day.group_by(*_STRIP, "day", "layer_top_cm", "layer_bottom_cm").agg(
        pl.col("available_water_share").mean(), pl.col("coverage").mean(), pl.col("reason").first()
    )
    profile = _pushed_in(compacted(penetrometer), layers)
    days = (
        layers.select(*_STRIP, "day")
        .unique()
        .sort("day")
        .join_asof(
            profile.sort("profile_day"),
            left_on="day",
            right_on="profile_day",
            by=_STRIP,
            coalesce=False,
            check_sortedness=False,
        )
        .filter(pl.col("profile_day").is_not_null())
    )
    at_depth = _at(days, layers, "day", "working_depth_cm")
    rows = crop_days.with_season(days.join(at_depth, on=[*_STRIP, "day"], how="left"), season)
    rows = rows.join(tillage_limits.by_field(field), on="field", how="left")
    return generated.conform(_with_state(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _pushed_in(profile: pl.DataFrame, layers: pl.DataFrame) -> pl.DataFrame:
    """Adds how wet the soil at the compacted layer was on the day of the push."""
    middle = (pl.col("compacted_top_cm") + pl.col("compacted_bottom_cm")) / 2
    wanted = profile.with_columns(
        at_cm=pl.coalesce(middle, "compacted_top_cm"), day=pl.col("profile_day")
    )
    wet = _at(wanted, layers, "day", "at_cm").select(
        *_STRIP, profile_day="day", available_water_share_at_push="available_water_share"
    )
    return profile.join(wet, on=_PROFILE, how="left")


def _at(rows: pl.DataFrame, layers: pl.DataFrame, day: str, depth: str) -> pl.DataFrame:
    """The layer that holds the depth on the day: range share, coverage and its reason."""
    return (
        rows.select(*_STRIP, day, depth)
        .join(layers, on=[*_STRIP, day])
        .filter(
            (pl.col(depth) > pl.col("layer_top_cm")) & (pl.col(depth) <= pl.col("layer_bottom_cm"))
        )
        .group_by(*_STRIP, day)
        .agg(
            pl.col("available_water_share").mean(),
            pl.col("coverage").min(),
            layer_reason=pl.col("reason").first(),
        )
    )


def _with_state(rows: pl.DataFrame) -> pl.DataFrame:
    """Add state, flags, caution and reasons."""
    where, pushed = pl.col("available_water_share"), pl.col("available_water_share_at_push")
    hard, bottom = pl.col("hard"), pl.col("compacted_bottom_cm")
    working = pl.col("working_depth_cm").is_not_null()
    dry_push = working & (pushed < MOIST).fill_null(False)
    unknown = working & where.is_null()
    return rows.with_columns(
        state=tillage_limits.state(where),
        dry_enough=where <= pl.col("friable_to_share"),
        caution=pl.lit(WORKING),
        partial=~working | unknown | dry_push,
        reason=joined(
            pl.when(~hard).then(pl.lit("no layer at 2 MPa or more in the profile")),
            pl.when(hard & bottom.is_null()).then(
                pl.lit("hard to the end of the profile: push deeper to find its bottom")
            ),
            pl.when(dry_push).then(
                pl.lit("the profile was pushed in dry soil and may show dryness, not compaction")
            ),
            pl.when(unknown).then(
                pl.coalesce(
                    "layer_reason", pl.lit("no probe layer with a known range at working depth")
                )
            ),
        ),
    )
