"""Reference and crop evapotranspiration of a station's day."""

from schemas.shared_columns import (
    DAY,
    EXTREMES_FROM,
    STANDING_SEASON,
    STATION,
    STATION_STOOD_IN,
    completeness,
)
from schemas.table import Table, Tier, number, text

TABLE = Table(
    "evapotranspiration_day",
    Tier.DERIVED,
    "evapotranspiration at one station on one day",
    (
        STATION,
        DAY,
        *STATION_STOOD_IN,
        STANDING_SEASON,
        text("crop", "the standing crop; null outside seasons"),
        number("reference_et_mm", "mm", "evapotranspiration of the grass reference", 0, 25),
        text(
            "method",
            "the equation that gave the reference",
            one_of=("Penman-Monteith", "Hargreaves-Samani"),
        ),
        EXTREMES_FROM,
        text(
            "radiation_from",
            "where Penman-Monteith took the radiation from",
            one_of=("measured", "temperature range"),
        ),
        text(
            "humidity_from",
            "where Penman-Monteith took the vapour pressure from",
            one_of=(
                "vapour pressure",
                "dew point",
                "humidity extremes",
                "mean humidity",
                "lowest temperature",
            ),
        ),
        text("wind_from", "where Penman-Monteith took the wind from", one_of=("measured", "2 m/s")),
        text(
            "stage",
            "stage of the crop, or what the ground is without one",
            one_of=("initial", "development", "mid-season", "late", "bare soil", "snow"),
        ),
        text("stage_by", "what the stages are counted in", one_of=("days", "growing degree days")),
        number("crop_coefficient", "1", "crop evapotranspiration over reference", 0, 1.5),
        number(
            "crop_et_mm",
            "mm",
            "evapotranspiration of the crop where it lacks no water; of bare soil outside seasons",
            0,
            30,
        ),
        *completeness("share of the day behind the least covered of the measured inputs"),
    ),
)
