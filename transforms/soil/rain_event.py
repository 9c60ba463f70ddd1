"""Rain events of a field, and the share of each that a strip's soil held afterwards.

An event is rain with less than ``farm.event_gap_h`` dry hours in it, of
``farm.event_least_mm`` and more as the mean of the field's stations; it is one event for both
strips. Rain that goes on through a whole month is parted in the middle of it, and a total of more
than ``LONGEST_D`` days is no event: neither says when the water came. A strip's rain is its own
gauge's where that recorded the event's days, else that of the other strip's station.

Capture is the rise of storage, from the last value before the rain to the value nearest to one
and to two days after its end, over the rain (``event_gain``, ``strip_storage``). It is what the
profile holds, not what went in: water used or drained in those days is gone from it, and from
both strips alike. It may pass 1 or fall below 0: a probe speaks for a hand's breadth, a gauge for
a field. What wets only the soil above the first sensor is taken from the balance of the
evaporation layer (``unseen_1d_mm``, ``unseen_2d_mm``), alike in both strips. Where other rain or an
irrigation of more than ``OTHER_RAIN`` of the event's came between the two values, or an irrigation of
unknown depth, there is no capture, nor where a strip's gauge caught less than ``GAUGES_AGREE`` of the
field's mean (clogged, or a cloudburst's edge). An irrigation is no event of its own: it is not known
to the hour. Winter is left out, in both strips at once: snow on the ground (``cold``), precipitation
at a mean temperature below ``SNOW_C`` (where no temperature is known, in the cold half of the year), or
frozen soil (or soil that may be frozen, at the topmost sensor) from the day before to two days after.

Method: the profile's storage before and after an event is common practice; no source for the
limits named here.
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.rain_event import TABLE
from transforms.methods import calendar_day, cold, crop_days
from transforms.methods.strips import HAND, STRIPS, WHOLE, at_strips
from transforms.methods.texts import depth_text, joined
from transforms.soil.methods import event_gain, event_water, strip_storage

OTHER_RAIN = 0.1
GAUGES_AGREE = 0.5
SNOW_C = 1.0
HOUR_US = 3.6e9
# As for a total that is told by its days (``weather_day``); common practice, no source.
LONGEST_D = 31
# An event is known by the rain and the soil about it, and no event is longer than two months.
PART = "field year"
MARGIN_MONTHS = 3
_EVENT = ["field", "cluster"]


def derive(
    *,
    rain_spell: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    soil_water_day: pl.DataFrame,
    soil_quality_day: pl.DataFrame,
    soil_day: pl.DataFrame,
    evaporation_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    season: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Make one row an event and strip."""
    weather_used_day = at_strips(weather_used_day)
    clusters, by_station = _clusters(rain_spell, weather_used_day, farm)
    clusters = clusters.with_columns(
        day=calendar_day.day_after(pl.col("began"), farm),
        last_day=calendar_day.day_of(pl.col("ended"), farm),
    )
    rain = _rain(clusters, by_station, weather_used_day)
    mean = rain.group_by(_EVENT).agg(field_mm=pl.col("rain_mm").mean())
    clusters = clusters.join(mean, on=_EVENT)
    events = (
        _with_winter(clusters, cold.with_snow(weather_used_day, farm), soil_quality_day, farm)
        .filter(pl.col("field_mm") >= farm["event_least_mm"].item())
        .join(rain, on=_EVENT)
    )
    storage = strip_storage.layers(soil_water_day, soil_day, farm)
    layers = event_gain.gains(events, storage, event_gain.surface(evaporation_day, farm))
    rows = _with_gain(events, layers, clusters, irrigation_day, farm)
    return generated.conform(_with_reason(rows, season).select(TABLE.names), TABLE).sort(TABLE.key)


def _rain(
    clusters: pl.DataFrame, by_station: pl.DataFrame, weather_used_day: pl.DataFrame
) -> pl.DataFrame:
    """Rain of each event by strip, whose it is and how far the gauge recorded its days."""
    stations = weather_used_day.filter(
        pl.col("field").is_not_null() & pl.col("strip").is_not_null()
    )
    recorded = (
        clusters.select(*_EVENT, on=pl.date_ranges("day", "last_day"))
        .with_columns(days=pl.col("on").list.len())
        .explode("on", empty_as_null=False)
        .join(
            stations.select("field", "strip", "station", "day", "rain_coverage"),
            left_on=["field", "on"],
            right_on=["field", "day"],
        )
        .group_by(*_EVENT, "strip", "station")
        .agg(coverage=pl.col("rain_coverage").sum() / pl.col("days").first())
        .join(by_station, on=[*_EVENT, "strip", "station"], how="left")
        .with_columns(pl.col("rain_mm").fill_null(0.0))
        .group_by(*_EVENT, "strip")
        .agg(
            own_mm=pl.when(pl.col("coverage") >= WHOLE).then("rain_mm").mean(),
            any_mm=pl.col("rain_mm").max(),
            coverage=pl.col("coverage").max(),
        )
    )
    other = recorded.group_by(_EVENT).agg(
        other_mm=pl.col("own_mm").mean(),
        at_least_mm=pl.col("any_mm").max(),
        most=pl.col("coverage").max(),
    )
    own = pl.col("own_mm").is_not_null()
    return (
        other.join(STRIPS, how="cross")
        .join(recorded, on=[*_EVENT, "strip"], how="left")
        .with_columns(
            rain_mm=pl.coalesce("own_mm", "other_mm", "at_least_mm"),
            rain_from=pl.when(own)
            .then(pl.lit("own station"))
            .when(pl.col("other_mm").is_not_null())
            .then(pl.lit("other strip's station")),
            coverage=pl.when(own).then("coverage").otherwise("most"),
        )
        .select(*_EVENT, "strip", "rain_mm", "rain_from", "coverage")
    )


def _with_winter(
    clusters: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    soil_quality_day: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Adds ``winter_reason``, null where neither snow nor frost is known about the event."""
    weather = weather_used_day.group_by("field", "day").agg(
        snow=pl.col("snow").any(), temp=pl.col("air_temp_mean_c").mean()
    )
    topmost = pl.col("depth_cm") == pl.col("depth_cm").min()
    soil = soil_quality_day.group_by("field", "day").agg(
        pl.col("frozen").any(), may_be_frozen=pl.col("may_be_frozen").filter(topmost).any()
    )
    about = pl.date_ranges(
        pl.col("day") - pl.duration(days=1), pl.col("last_day") + pl.duration(days=2)
    )
    near = (
        clusters.select(*_EVENT, "day", "last_day", about.alias("on"))
        .explode("on", empty_as_null=False)
        .join(weather, left_on=["field", "on"], right_on=["field", "day"], how="left")
        .join(soil, left_on=["field", "on"], right_on=["field", "day"], how="left")
        .group_by(_EVENT)
        .agg(
            pl.col("snow").any(),
            pl.col("frozen").any(),
            pl.col("may_be_frozen").any(),
            fell_at=pl.col("temp")
            .filter(pl.col("on").is_between(pl.col("day"), pl.col("last_day")))
            .mean(),
        )
    )
    return clusters.join(near, on=_EVENT, how="left").with_columns(
        winter_reason=pl.when(pl.col("snow"))
        .then(pl.lit("snow on the ground"))
        .when(pl.col("frozen"))
        .then(pl.lit("frozen soil"))
        .when(pl.col("may_be_frozen"))
        .then(pl.lit("the soil may have been frozen"))
        .when(pl.coalesce(pl.col("fell_at") < SNOW_C, cold.cold_half(pl.col("day"), farm)))
        .then(pl.lit("it may have fallen as snow"))
    )


def _with_gain(
    events: pl.DataFrame,
    layers: pl.DataFrame,
    clusters: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Adds the profile's gain and capture, and why there is none."""
    whole = pl.all_horizontal("storage_before_mm", "gain_1d_mm").is_not_null()
    seen = whole & pl.col("gain_2d_mm").is_not_null()
    key = ["field", "strip", "began"]
    profile = layers.group_by(key).agg(
        depths=_depths(pl.col("depth_cm").filter(seen)),
        blind=_depths(pl.col("depth_cm").filter(~seen)),
        layers_seen=seen.sum(),
        storage_before_mm=pl.col("storage_before_mm").filter(seen).sum(),
        gain_1d_mm=pl.col("gain_1d_mm").filter(seen).sum(),
        gain_2d_mm=pl.col("gain_2d_mm").filter(seen).sum(),
        unseen_1d_mm=pl.col("unseen_1d_mm").filter(seen).sum(),
        unseen_2d_mm=pl.col("unseen_2d_mm").filter(seen).sum(),
        before_at=pl.col("before_at").filter(seen).min(),
        after_1d_at=pl.col("after_1d_at").filter(seen).max(),
        after_2d_at=pl.col("after_2d_at").filter(seen).max(),
    )
    rows = events.join(profile, on=key, how="left")
    for n in event_gain.AFTER_D:
        until = f"after_{n}d_at"
        rows = rows.join(event_water.other_rain(rows, clusters, until, f"other_{n}d_mm"), on=key)
        put_on = event_water.irrigation(rows, irrigation_day, farm, until, f"irrigation_{n}d_mm")
        rows = rows.join(put_on, on=key)
    some = pl.col("layers_seen") > 0
    agree = (pl.col("rain_mm") >= GAUGES_AGREE * pl.col("field_mm")).all().over("field", "began")
    open_ = some & agree & pl.col("winter_reason").is_null()
    rows = rows.with_columns(
        storage_before_mm=pl.when(some).then("storage_before_mm"),
        depths=pl.when(some).then("depths"),
        agree=agree,
        **{
            name: pl.when(
                open_
                & (pl.col(f"other_{n}d_mm") <= OTHER_RAIN * pl.col("field_mm"))
                & (pl.col(f"irrigation_{n}d_mm") <= OTHER_RAIN * pl.col("field_mm"))
            ).then(name)
            for n in event_gain.AFTER_D
            for name in (f"gain_{n}d_mm", f"unseen_{n}d_mm")
        },
    )
    rows = rows.with_columns(
        capture_1d=pl.col("gain_1d_mm") / pl.col("rain_mm"),
        capture_2d=pl.col("gain_2d_mm") / pl.col("rain_mm"),
    )
    return rows.with_columns(
        both_strips=(pl.col("capture_2d").is_not_null().sum() == STRIPS.height).over(
            "field", "began"
        )
        & (pl.col("depths").n_unique() == 1).over("field", "began")
    )


def _depths(depth: pl.Expr) -> pl.Expr:
    """Depths as a text such as '10, 30, 50' (an aggregation)."""
    return depth_text(depth.sort()).str.join(", ")


def _with_reason(rows: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Add the season, flags and reasons."""
    no_record = pl.col("rain_from").is_null()
    no_soil = pl.col("layers_seen").fill_null(0) == 0
    winter = pl.col("winter_reason").is_not_null()
    wet_again = ~no_soil & ~winter & pl.any_horizontal(pl.col("gain_1d_mm", "gain_2d_mm").is_null())
    put_on = pl.col("irrigation_2d_mm")
    irrigated = wet_again & (put_on > OTHER_RAIN * pl.col("field_mm"))
    unknown = wet_again & put_on.is_null()
    rained = wet_again & (
        (pl.col("other_2d_mm") > OTHER_RAIN * pl.col("field_mm")) | ~(irrigated | unknown)
    )
    blind = ~no_soil & (pl.col("blind") != "")
    return crop_days.with_season(rows, season).with_columns(
        winter=winter,
        partial=no_record | no_soil | winter | wet_again | blind | ~pl.col("agree"),
        reason=joined(
            pl.when(no_record).then(pl.lit("no gauge of the field recorded the whole event")),
            pl.when(winter).then("winter_reason"),
            pl.when(~pl.col("agree")).then(pl.lit("the gauges of the two strips disagree")),
            pl.when(no_soil).then(pl.lit("no soil water of the strip before and after the rain")),
            pl.when(rained).then(pl.lit("other rain fell too close to it")),
            pl.when(irrigated).then(pl.lit("irrigated too close to it")),
            pl.when(unknown).then(pl.lit("irrigation about it is not known")),
            pl.when(blind).then(pl.format("no value at {} cm", pl.col("blind"))),
        ),
    )


def _clusters(
    rain_spell: pl.DataFrame, weather_used_day: pl.DataFrame, farm: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Spells of a field's stations that less than ``farm.event_gap_h`` dry hours part, as one.

    The spells of all stations in the field are laid over each other, so that both strips are
    asked about one event. A spell as coarse as the gap itself (a daily total) counts as dry below
    ``farm.trace_threshold_mm``; daily totals so give runs of wet days. Rain that was read by hand
    is one spell, of the days that it is of.

    Returned: ``field``, ``cluster``, ``began``, ``ended``, ``by_days``; and the rain of every
    station: ``field``, ``cluster``, ``station``, ``strip``, ``rain_mm``.
    """
    gap_h: float = farm["event_gap_h"].item()
    trace_mm: float = farm["trace_threshold_mm"].item()
    coarse = pl.col("step_h") >= gap_h
    dry_h = (pl.col("began") - pl.col("wet_until")).dt.total_microseconds() / HOUR_US
    spell = (
        pl.concat([_recorded(rain_spell, weather_used_day), _by_hand(weather_used_day, farm)])
        .filter(pl.col("field").is_not_null() & ~(coarse & (pl.col("rain_mm") < trace_mm)))
        .filter(pl.col("ended") - pl.col("began") <= pl.duration(days=LONGEST_D))
        .sort("field", "began", "station")
        .with_columns(wet_until=pl.col("ended").cum_max().shift(1).over("field"))
        .with_columns(run=(dry_h >= gap_h).fill_null(True).cum_sum().over("field"))
        .with_columns(cluster=pl.struct("run", parted=_parted()).rle_id().over("field"))
    )
    events = (
        spell.group_by("field", "cluster")
        .agg(pl.col("began").min(), pl.col("ended").max(), by_days=coarse.any())
        .sort("field", "cluster")
    )
    by_station = spell.group_by("field", "cluster", "station", "strip").agg(pl.col("rain_mm").sum())
    return events, by_station


def _parted() -> pl.Expr:
    """Return the last month, whole in a run of spells, whose middle lies before each spell."""
    month = pl.col("began").dt.truncate("1mo")
    whole = (pl.col("began").min().over("field", "run") <= month) & (
        pl.col("ended").max().over("field", "run") >= month.dt.offset_by("1mo")
    )
    after = pl.col("began") >= month.dt.offset_by("15d")
    return pl.when(whole & after).then(month).forward_fill().over("field", "run")


_SPELL = ("station", "field", "strip", "began", "ended", "rain_mm", "step_h")


def _recorded(rain_spell: pl.DataFrame, weather_used_day: pl.DataFrame) -> pl.DataFrame:
    """Return the spells of the stations whose rain each row uses, under the row's station."""
    used = weather_used_day.select("station", "day", "field", "strip", "rain_from")
    return (
        rain_spell.rename({"station": "rain_from"})
        .join(used, on=["rain_from", "day"])
        .select(_SPELL)
    )


def _by_hand(weather_used_day: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Return what was read by hand and is used, each reading as a spell of whole days."""
    read = weather_used_day.filter(
        (pl.col("rain_from") == HAND) & (pl.col("rain_mm") > 0)
    ).with_columns(
        began=calendar_day.starts_at(pl.col("rain_since_day"), farm),
        ended=calendar_day.starts_at(pl.col("day").dt.offset_by("1d"), farm),
    )
    step_h = (pl.col("ended") - pl.col("began")).dt.total_microseconds() / HOUR_US
    return read.with_columns(step_h=step_h).select(_SPELL)
