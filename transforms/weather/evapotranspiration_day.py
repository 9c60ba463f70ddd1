"""Reference and crop evapotranspiration of every station-day, after FAO-56.

Method and source: Allen et al. 1998, FAO Irrigation and Drainage Paper 56 (equations in
``penman``). The reference is Penman-Monteith (Eq 6) with daily soil heat flux zero (Eq 42) and air
pressure from the farm's elevation (Eq 7). What a station does not measure, or measured over less
than ``LEAST_COVERAGE`` of the day, is put in as the handbook's chapter 3 says:

- vapour pressure, the first there is of: measured; dew point (Eq 14); both humidity extremes
  (Eq 17); mean humidity (Eq 19); dew point equal to the lowest temperature (Eq 48). The last
  holds over watered ground and makes dry places look too moist;
- radiation from the temperature range, interior coefficient (Eq 50); a sum that lacks part of the
  day cannot be scaled up, so it is dropped where not whole;
- wind 2 m/s; a measured wind is brought to 2 m (Eq 47).

Where none of the three was measured, Hargreaves-Samani (Eq 52) stands instead. Dewfall (a negative
result) counts as zero.

Crop evapotranspiration is reference times the single crop coefficient (``crop_coefficient``), its
stages counted from the day of seeding: in growing degree days (of the mean of the extremes, from
``heat_day``) where the crop list gives all four lengths so, else in days. Outside seasons the
ground counts as bare soil with the initial coefficient of Table 12 for field crops, ``BARE_SOIL``
(chapter 11: bare soil has the initial coefficient; it does not follow single wettings here). Over
snow (depth and cold: ``cold``) no coefficient holds (chapter 11), and the crop value is null. All
of it is demand: a crop short of water uses less.
"""

import polars as pl

from schemas import generated
from schemas.tables.weather.evapotranspiration_day import TABLE
from transforms.methods import calendar_day, cold, crop_days, penman
from transforms.methods.texts import joined
from transforms.weather.methods import crop_coefficient

# Rows of a field's stations meet its heat; whether snow can lie is asked of the week before.
PART = "all year"
MARGIN_MONTHS = (1, 0)
# Share of the day that a mean or an extreme must stand on. Common practice, no source.
LEAST_COVERAGE = 0.9
BARE_SOIL = 0.3
MOST_MM = 25.0  # the limit of the column
_WIND_M_S = 2.0
_LENGTHS_D = ("stage_initial_d", "stage_development_d", "stage_mid_d", "stage_late_d")
_LENGTHS_C_D = ("stage_initial_c_d", "stage_development_c_d", "stage_mid_c_d", "stage_late_c_d")


def derive(
    weather_used_day: pl.DataFrame,
    season: pl.DataFrame,
    crop: pl.DataFrame,
    heat_day: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Make one row a station and day."""
    if weather_used_day.is_empty():
        return generated.empty(TABLE)
    days = cold.with_snow(weather_used_day, farm)
    frame = _with_crop(_with_reference(_with_inputs(days, farm)), season, crop, heat_day)
    return generated.conform(frame.select(TABLE.names), TABLE).sort(TABLE.key)


def _with_inputs(weather_used_day: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Adds radiation ``solar``, ``vapour`` and ``wind`` at 2 m, and where each is from."""
    highest, lowest = pl.col("highest"), pl.col("lowest")
    radiation = _measured("solar_energy_mj_m2", "solar_coverage", calendar_day.WHOLE)
    wind = _measured("wind_speed_mean_m_s", "wind_coverage")
    humidity = {
        name: _measured(name, "humidity_coverage")
        for name in weather_used_day.columns
        if name.startswith(("vapour_", "dew_", "relative_"))
    }
    day_of_year = pl.col("day").dt.ordinal_day()
    vapours = {
        "vapour pressure": humidity["vapour_pressure_mean_kpa"],
        "dew point": penman.saturation(humidity["dew_point_mean_c"]),
        "humidity extremes": penman.vapour_from_extremes(
            highest,
            lowest,
            humidity["relative_humidity_max_pct"],
            humidity["relative_humidity_min_pct"],
        ),
        "mean humidity": penman.vapour_from_mean(
            highest, lowest, humidity["relative_humidity_mean_pct"]
        ),
        "lowest temperature": penman.saturation(lowest),
    }
    whole = (pl.col("air_temp_coverage") >= LEAST_COVERAGE) & (
        pl.col("air_temp_max_c") >= pl.col("air_temp_min_c")
    )
    return (
        weather_used_day.with_columns(
            highest=pl.when(whole).then("air_temp_max_c"),
            lowest=pl.when(whole).then("air_temp_min_c"),
            elevation=pl.lit(farm["elevation_m"].item(), pl.Float64),
            top=penman.extraterrestrial(
                pl.lit(farm["latitude_deg"].item(), pl.Float64), day_of_year
            ),
        )
        .with_columns(clear=penman.clear_sky(pl.col("top"), pl.col("elevation")))
        .with_columns(
            solar=pl.coalesce(
                radiation,
                penman.radiation_from_range(highest, lowest, pl.col("top"), pl.col("clear")),
            ),
            # Air cannot hold more: a wet sensor would give a negative deficit.
            vapour=pl.min_horizontal(
                pl.coalesce(*vapours.values()), penman.mean_saturation(highest, lowest)
            ),
            wind=pl.coalesce(
                penman.wind_at_two_metres(wind, pl.col("wind_height_m").fill_null(2.0)),
                pl.lit(_WIND_M_S),
            ),
            radiation_from=_first({"measured": radiation, "temperature range": pl.col("top")}),
            humidity_from=_first(vapours),
            wind_from=_first({"measured": wind, "2 m/s": pl.col("top")}),
        )
    )


def _measured(value: str, coverage: str, least: float = LEAST_COVERAGE) -> pl.Expr:
    return pl.when(pl.col(coverage) >= least).then(value)


def _first(values: dict[str, pl.Expr]) -> pl.Expr:
    """The name of the first value that is there."""
    return pl.coalesce(
        pl.when(value.is_not_null()).then(pl.lit(name)) for name, value in values.items()
    )


def _with_reference(frame: pl.DataFrame) -> pl.DataFrame:
    """Adds the reference, its method and the account of its inputs."""
    highest, lowest, vapour = pl.col("highest"), pl.col("lowest"), pl.col("vapour")
    temperature = (highest + lowest) / 2.0
    monteith = penman.penman_monteith(
        temperature=temperature,
        net=penman.net_radiation(highest, lowest, vapour, pl.col("solar"), pl.col("clear")),
        soil_heat=pl.lit(0.0),
        wind=pl.col("wind"),
        deficit=penman.mean_saturation(highest, lowest) - vapour,
        steepness=penman.slope(temperature),
        gamma=penman.psychrometric(penman.pressure(pl.col("elevation"))),
    )
    solar, humid, windy = (
        pl.col("radiation_from") == "measured",
        pl.col("humidity_from") != "lowest temperature",
        pl.col("wind_from") == "measured",
    )
    alone = ~(solar | humid | windy)
    reference = (
        pl.when(alone)
        .then(penman.hargreaves_samani(highest, lowest, pl.col("top")))
        .otherwise(monteith)
    )
    believable = (reference <= MOST_MM).fill_null(True)
    placed = pl.col("top").is_not_null()
    known = highest.is_not_null() & believable & placed
    covered = pl.min_horizontal(
        "air_temp_coverage",
        pl.when(solar).then("solar_coverage"),
        pl.when(humid).then("humidity_coverage"),
        pl.when(windy).then("wind_coverage"),
    )
    part = covered < calendar_day.WHOLE
    return frame.with_columns(
        reference_et_mm=pl.when(known).then(reference.clip(lower_bound=0.0)),
        method=pl.when(known).then(
            pl.when(alone).then(pl.lit("Hargreaves-Samani")).otherwise(pl.lit("Penman-Monteith"))
        ),
        coverage=covered,
        partial=~(known & solar & humid & windy) | part,
        reference_reason=pl.when(known)
        .then(
            joined(
                pl.when(part).then(
                    pl.format(
                        "an input covers {}% of the day", (100 * covered).floor().cast(pl.Int64)
                    )
                ),
                pl.when(alone).then(pl.lit("only temperature was measured")),
                pl.when(pl.col("air_temp_extremes_from") == "long means").then(
                    pl.lit("temperature extremes are of long means, so it is somewhat too low")
                ),
                pl.when(~alone & ~solar).then(
                    pl.lit("radiation estimated from the temperature range")
                ),
                pl.when(~alone & ~humid).then(pl.lit("dew point taken as the lowest temperature")),
                pl.when(~alone & ~windy).then(pl.lit("wind taken as 2 m/s")),
            )
        )
        .when(pl.col("air_temp_max_c") < pl.col("air_temp_min_c"))
        .then(pl.lit("the highest temperature is below the lowest"))
        .when(~placed)
        .then(pl.lit("farm.toml gives the farm no place"))
        .when(~believable)
        .then(pl.lit("an input is beyond belief: the result is more than any day evaporates"))
        .otherwise(pl.lit("too little of the day has air temperature")),
        **{
            name: pl.when(known & ~alone).then(name)
            for name in ("radiation_from", "humidity_from", "wind_from")
        },
    )


def _with_crop(
    frame: pl.DataFrame, season: pl.DataFrame, crop: pl.DataFrame, heat_day: pl.DataFrame
) -> pl.DataFrame:
    """Adds season, crop, stage, coefficient and the crop's evapotranspiration."""
    frame = (
        crop_days.with_season(frame, season)
        .join(
            season.select("field", "season", "crop", "seeded"), on=["field", "season"], how="left"
        )
        .join(crop, on="crop", how="left", suffix="_of_crop")
        .join(_heat(heat_day), on=["field", "strip", "season", "day"], how="left", nulls_equal=True)
    )
    by_heat = pl.all_horizontal(pl.col(name).is_not_null() for name in _LENGTHS_C_D)
    # Eq 66 numbers the days of the season from 1.
    along = (
        pl.when(by_heat)
        .then("degree_days")
        .otherwise((pl.col("day") - pl.col("seeded")).dt.total_days() + 1.0)
    )
    first, second, third, fourth = (
        pl.when(by_heat).then(c_d).otherwise(d).cast(pl.Float64)
        for c_d, d in zip(_LENGTHS_C_D, _LENGTHS_D, strict=True)
    )
    lengths = (first, second, third, fourth)
    kc = crop_coefficient.coefficient(
        along, lengths, pl.col("kc_ini"), pl.col("kc_mid"), pl.col("kc_end")
    )
    snow = pl.col("snow").fill_null(False)
    bare = pl.col("season").is_null()
    heatless = by_heat & (pl.col("heatless") > 0)
    frame = frame.with_columns(
        crop_coefficient=pl.when(snow).then(None).when(bare).then(BARE_SOIL).otherwise(kc),
        stage=pl.when(snow)
        .then(pl.lit("snow"))
        .when(bare)
        .then(pl.lit("bare soil"))
        .otherwise(crop_coefficient.stage(along, lengths)),
        stage_by=pl.when(~bare).then(
            pl.when(by_heat).then(pl.lit("growing degree days")).otherwise(pl.lit("days"))
        ),
    )
    crop_reason = (
        pl.when(snow)
        .then(pl.lit("snow on the ground: no crop coefficient holds"))
        .when(pl.col("crop_coefficient").is_null() & by_heat)
        .then(pl.lit("no sum of growing degree days for the crop's stage"))
        .when(pl.col("crop_coefficient").is_null())
        .then(pl.lit("the crop list has no coefficients or stages for this crop"))
        .when(heatless)
        .then(pl.format("the stage lacks the heat of {} days", pl.col("heatless")))
    )
    return frame.with_columns(
        crop_et_mm=pl.col("reference_et_mm") * pl.col("crop_coefficient"),
        partial=pl.col("partial")
        | pl.col("crop_coefficient").is_null()
        | heatless.fill_null(False),
        reason=joined("reference_reason", crop_reason),
    )


def _heat(heat_day: pl.DataFrame) -> pl.DataFrame:
    """Return ``degree_days`` and ``heatless`` by strip, and of the field for a station at neither."""
    place = ["field", "season", "day"]
    strips = heat_day.select(
        *place, "strip", degree_days="gdd_average_sum_c_d", heatless="days_missing"
    )
    fields = strips.group_by(place).agg(pl.col("degree_days").mean(), pl.col("heatless").max())
    return pl.concat([strips, fields], how="diagonal")
