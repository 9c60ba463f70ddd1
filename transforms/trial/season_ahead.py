"""season_ahead: the seasons in the book and the next of each field, with the days to expect them by."""

import math

import polars as pl

from schemas import generated
from schemas.tables.trial.season_ahead import TABLE

YEAR_D = 365.2425
# Longer from seeding to harvest than this: sown in the fall before. Common practice, no source.
FALL_SOWN_D = 200
# Seeding by latitude if no season of the farm says more: day of the year at 50 degrees, and the days
# later (spring) or earlier (fall) for each degree toward the pole. Common practice, no source.
SPRING, FALL = (127.0, 2.0), (255.0, -2.0)
# Nearer to the equator, crops that grow in cool weather stand over winter, sown in late fall.
MILD_DEG, MILD_SOWN_D, MILD_LENGTH_D, COOL_BASE_C = 38.0, 305.0, 200.0, 5.0


def derive(
    *, season: pl.DataFrame, planned_season: pl.DataFrame, crop: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Days of seeding and harvest to expect, of each season in the book, each planned one and the next.

    The expected day is the mean direction on the circle of the year (Mardia and Jupp 2000, Directional
    Statistics; from memory) of the farm's other harvested seasons of that crop; if there are none, of
    the farm's seasons of the commoner kind (spring-sown or fall-sown); else by latitude and the crop
    list. A season's own days never enter its expectation. Seeding is the expected harvest less the mean
    length. The table knows no clock: what is due on a day is for the reader to compare.
    """
    rows = _rows(season, planned_season)
    if rows.is_empty():
        return generated.empty(TABLE)
    done = season.drop_nulls("harvested").with_columns(_length=_length(), _sown=_fall_sown())
    common = done["_sown"].mode().sort().first() if done.height else None
    rows = (
        rows.join(_means(done, "crop"), on="crop", how="left")
        .join(
            _means(done.filter(pl.col("_sown").eq_missing(pl.lit(common, pl.Boolean))), None),
            how="cross",
        )
        .join(_by_latitude(crop, farm), on="crop", how="left")
    )
    rows = _less_own(rows, "crop_").with_columns(
        _from=pl.when(pl.col("crop_n") > 0)
        .then(pl.lit("crop"))
        .when(pl.col("crop").is_null() & (pl.col("farm_n") > 0))
        .then(pl.lit("farm"))
        .when(pl.col("latitude_doy").is_not_null())
        .then(pl.lit("latitude"))
    )
    return generated.conform(_with_days(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _rows(season: pl.DataFrame, planned_season: pl.DataFrame) -> pl.DataFrame:
    """Seasons in the book, planned ones that are not, and the one after a field's last if none is."""
    book = season.select("field", "season", "crop", "seeded", "harvested")
    last = book.group_by("field").agg(_last=pl.col("season").max())
    planned = (
        planned_season.select("field", "season", "crop")
        .join(last, on="field", how="left")
        .filter(pl.col("_last").is_null() | (pl.col("season") > pl.col("_last")))
        .select("field", "season", "crop", planned=pl.lit(True))
    )
    after = (
        last.join(planned, on="field", how="anti")
        .join(book, on="field")
        .filter(pl.col("season") == pl.col("_last"))
        .select("field", season=pl.col("season") + 1, before=pl.col("harvested"))
    )
    found = pl.concat([book, planned, after], how="diagonal")
    return found.with_columns(pl.col("planned").fill_null(False)).sort("field", "season")


def _length() -> pl.Expr:
    return (pl.col("harvested") - pl.col("seeded")).dt.total_days()


def _fall_sown() -> pl.Expr:
    return _length() > FALL_SOWN_D


def _turn(day: pl.Expr) -> pl.Expr:
    return day.dt.ordinal_day() * (2 * math.pi / YEAR_D)


def _means(done: pl.DataFrame, by: str | None) -> pl.DataFrame:
    """Sums of sine, cosine and length of the harvests, and how many, of each crop or of all."""
    stem = f"{by or 'farm'}_"
    sums = [
        _turn(pl.col("harvested")).sin().sum().alias(f"{stem}sin"),
        _turn(pl.col("harvested")).cos().sum().alias(f"{stem}cos"),
        pl.col("_length").sum().cast(pl.Float64).alias(f"{stem}length"),
        pl.len().cast(pl.Int64).alias(f"{stem}n"),
    ]
    return done.group_by(by).agg(sums) if by else done.select(sums)


def _less_own(rows: pl.DataFrame, stem: str) -> pl.DataFrame:
    """Take a harvested season's own days out of its crop's sums."""
    own = pl.col("harvested").is_not_null()
    turn = _turn(pl.col("harvested"))
    parts = {"sin": turn.sin(), "cos": turn.cos(), "length": _length(), "n": pl.lit(1)}
    return rows.with_columns(
        (pl.col(f"{stem}{name}") - pl.when(own).then(part).otherwise(0)).fill_null(0)
        for name, part in parts.items()
    )


def _by_latitude(crop: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Day of the year of seeding and the length by crop; null without a latitude."""
    latitude = pl.lit(farm["latitude_deg"][0] if farm.height else None, pl.Float64)
    pole = latitude.abs()
    stages = pl.sum_horizontal(
        (f"stage_{stage}_d" for stage in ("initial", "development", "mid", "late")),
        ignore_nulls=False,
    )
    fall = stages > FALL_SOWN_D
    mild = (pole < MILD_DEG) & (pl.col("base_temp_c") <= COOL_BASE_C)

    def sown(at: tuple[float, float]) -> pl.Expr:
        return at[0] + at[1] * (pole - 50)

    north = (
        pl.when(mild).then(MILD_SOWN_D).when(fall).then(sown(FALL)).otherwise(sown(SPRING).clip(60))
    )
    south = pl.when(latitude < 0).then(YEAR_D / 2).otherwise(0.0)
    return crop.select(
        "crop",
        latitude_doy=(north + south) % YEAR_D,
        latitude_length=pl.when(mild & ~fall)
        .then(MILD_LENGTH_D)
        .otherwise(stages.cast(pl.Float64)),
    )


def _with_days(rows: pl.DataFrame) -> pl.DataFrame:
    """Place the expected days: the harvest in the season's year, the seeding by the length before it."""
    source = pl.col("_from")

    def of(stem: str) -> tuple[pl.Expr, pl.Expr]:
        turn = pl.arctan2(pl.col(f"{stem}sin"), pl.col(f"{stem}cos")) * (YEAR_D / (2 * math.pi))
        return turn % YEAR_D, pl.col(f"{stem}length") / pl.col(f"{stem}n")

    (crop_doy, crop_d), (farm_doy, farm_d) = of("crop_"), of("farm_")
    length = (
        pl.when(source == "crop")
        .then(crop_d)
        .when(source == "farm")
        .then(farm_d)
        .when(source == "latitude")
        .then(pl.col("latitude_length"))
    )
    harvest_doy = (
        pl.when(source == "crop")
        .then(crop_doy)
        .when(source == "farm")
        .then(farm_doy)
        .when(source == "latitude")
        .then((pl.col("latitude_doy") + pl.col("latitude_length")) % YEAR_D)
    )
    new_year = pl.date(pl.col("season"), 1, 1)
    expected = new_year + pl.duration(days=harvest_doy.round().cast(pl.Int64) - 1)
    # A next season that nobody planned has no harvest year of its own yet: if a whole year lies between
    # the last harvest and the expected one, the harvest slipped over New Year.
    early = pl.col("before").is_not_null() & (
        expected - pl.duration(days=550) > pl.col("before").fill_null(pl.date(1, 1, 1))
    )
    harvest = pl.when(early).then(expected.dt.offset_by("-1y")).otherwise(expected)
    missing = pl.lit("no season of the farm is harvested and the place has no latitude")
    return rows.with_columns(
        harvest_expected=harvest,
        seeding_expected=harvest - pl.duration(days=length.round().cast(pl.Int64)),
        expected_from=source,
        seasons=pl.when(source == "crop")
        .then("crop_n")
        .when(source == "farm")
        .then("farm_n")
        .otherwise(0),
        coverage=pl.when(source.is_null()).then(0.0).otherwise(1.0),
        partial=source.is_null(),
        reason=pl.when(source.is_null()).then(missing),
    )
