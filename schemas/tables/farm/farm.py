"""The farm's place and settings, as farm.toml gives them."""

from schemas.table import Table, Tier, count, number, text

TABLE = Table(
    "farm",
    Tier.SETUP,
    "the farm (one row)",
    (
        text("farm", "name of the farm", key=True),
        number("latitude_deg", "degree", "latitude, north positive; null if not given", -90, 90),
        number("longitude_deg", "degree", "longitude, east positive; null if not given", -180, 180),
        number("elevation_m", "m", "height above sea level; null if not given", -450, 6000),
        text("time_zone", "IANA name of the time zone", required=True),
        number(
            "standard_offset_h",
            "hour",
            "the zone's standard time minus UTC, all year",
            -14,
            14,
            required=True,
        ),
        number(
            "day_starts_h",
            "hour",
            "hour of standard time at which the climatological day starts",
            0,
            24,
            required=True,
        ),
        text("currency", "currency of all money", required=True),
        text("units", "units for display", required=True, one_of=("metric", "us", "canada")),
        count("normal_from", "first year of the normals", low=1800, high=2200),
        count("normal_to", "last year of the normals", low=1800, high=2200),
        text(
            "normal_station", "station whose long record gives the normals; null where a table does"
        ),
        number(
            "trace_threshold_mm",
            "mm",
            "a day with less rain than this counts as dry",
            0,
            10,
            required=True,
        ),
        number("event_gap_h", "hour", "dry hours that part two rain events", 0, 240, required=True),
        number("event_least_mm", "mm", "least rain that makes a rain event", 0, 200, required=True),
        number(
            "neighbor_km",
            "km",
            "how far apart two stations may stand and still judge each other; 25 where not given",
            0,
            500,
        ),
        number(
            "discount_rate_pct",
            "percent",
            "yearly rate by which later money counts less; 5 where the farm file gives none",
            0,
            50,
        ),
    ),
)
