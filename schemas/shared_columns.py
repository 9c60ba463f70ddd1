"""Columns that several tables declare alike: who and when, readings, rain, work, intervals.

A table has these by name beside its own, so that the same thing reads the same wherever it is.
"""

from dataclasses import replace

from schemas.table import (
    SUFFIX,
    Column,
    Share,
    count,
    coverage,
    day,
    flag,
    number,
    share,
    text,
    time,
)

SIDES = ("treated", "check")

# Where and when
FARM_ID = text("farm", "id of the farm, a UUID: [farm] id of its farm.toml", key=True)
FIELD = text("field", "name of the field", key=True)
STRIP = text(
    "strip", "name of the strip: treated or check, or as the sheet strips has it", key=True
)
BOOK_STRIP = replace(STRIP, meaning="name of the strip")
BLOCK_KIND = text(
    "block_kind",
    (
        "what mapped blocks are: passes on both sides of a border, crossings of both strips, or "
        "strips repeated over the field; null for weighed passes"
    ),
    one_of=("passes", "crossings", "strips"),
)
TEST_WEIGHT = number("test_weight_kg_hl", "kg/hL", "test weight", 10, 120)
PROTEIN = number("protein_pct", "percent", "protein of the grain, as the buyer states it", 0, 50)
CALIBRATION = number(
    "calibration", "1", "factor by which weighed passes corrected the compared mapped ones", 0
)
SEASON = count("season", "year of the harvest", low=1900, high=2200, key=True)
STANDING_SEASON = count(
    "season", "harvest year of the standing crop; null outside seasons", low=1900
)
LATITUDE = number("latitude_deg", "degree", "latitude in WGS 84", -90, 90, required=True)
LONGITUDE = number("longitude_deg", "degree", "longitude in WGS 84", -180, 180, required=True)
GROUND_MAP = text("ground_map", "name of the map's file, without its ending", key=True)
CROP = text("crop", "crop of the season")
DAY = day("day", "climatological day", key=True)
WEEK_STARTS = day("week_starts", "the week's Monday", key=True)
MONTH = count("month", "calendar month", low=1, high=12, key=True)
NOTES = text("notes", "the user's notes")

# Instruments, and where they were
STATION = text("station", "name of the station", key=True)
PROBE = text("probe", "name of the probe", key=True)
INSTRUMENT = text("instrument", "name of the station or probe", key=True)
KIND_OF_INSTRUMENT = text("kind", "which of the two it is", key=True, one_of=("station", "probe"))
DEPTH = number("depth_cm", "cm", "depth of the sensor", 0, 1000, key=True)
STRIP_STOOD_IN = text("strip", "name of the strip")
STATION_STOOD_IN = (text("field", "field that the station stood in that day"), STRIP_STOOD_IN)
PROBE_STOOD_IN = (text("field", "field that the probe stood in that day"), STRIP_STOOD_IN)
WIND_HEIGHT = number("wind_height_m", "m", "height of the wind sensor", 0.5, 100)
READING_TIME = (
    time("time", "end of the interval that the reading closes", key=True),
    number(
        "interval_s", "s", "length of the interval that ends at time", 1, 86400 * 31, required=True
    ),
)
READING_DELIVERY = text("delivery", "the delivery that brought it last", provenance=True)
QUALITIES = ("good", "suspect", "bad", "missing", "not evaluated")
UPTAKE_METHODS = ("day-night", "balance")

# Weather
AIR_TEMP_MAX = number("air_temp_max_c", "degC", "highest air temperature", -90, 60)
AIR_TEMP_MIN = number("air_temp_min_c", "degC", "lowest air temperature", -90, 60)
EXTREMES_FROM = text(
    "air_temp_extremes_from",
    (
        "what the day's lowest and highest temperature are of: the extremes of the intervals as the "
        "logger gave them; means of at most 15 minutes; or longer means, whose extremes are too tame "
        "(hourly means by about half a degree, which makes reference evapotranspiration about 0.1 mm "
        "a day too low)"
    ),
    one_of=("extremes", "short means", "long means"),
)
AIR_OF_DAY = (
    number(
        "air_temp_mean_c",
        "degC",
        (
            "mean air temperature: time-weighted mean of the readings, or half of the sum of "
            "the extremes where only they came"
        ),
        -90,
        60,
    ),
    AIR_TEMP_MIN,
    AIR_TEMP_MAX,
    EXTREMES_FROM,
    coverage("share of the day with air temperature", "air_temp_coverage"),
)
HUMIDITY_OF_DAY = (
    number(
        "relative_humidity_mean_pct",
        "percent",
        "mean relative humidity, readings above 100 taken as 100",
        0,
        100,
    ),
    number("relative_humidity_min_pct", "percent", "lowest relative humidity", 0, 100),
    number("relative_humidity_max_pct", "percent", "highest relative humidity", 0, 100),
    number("dew_point_mean_c", "degC", "mean dew point as measured", -100, 40),
    number(
        "vapour_pressure_mean_kpa",
        "kPa",
        "mean actual vapour pressure: as measured, or of specific humidity or the deficit",
        0,
        8,
    ),
    coverage("share of the day with humidity, dew point or vapour pressure", "humidity_coverage"),
)
RAIN_OF_DAY = (
    number("rain_mm", "mm", "rain of the day, of the part that was recorded", 0, 2000),
    coverage("share of the day with a rain record", "rain_coverage"),
    day(
        "rain_since_day",
        "first day of the rain total: earlier than day where a running total bridged a gap",
    ),
)
RAIN_LEFT_OUT = (
    # Not in the checksum, which stays what it was before there was this column.
    text(
        "rain_reason",
        "why steps of the rain counter say nothing of the rain; null where all do",
        provenance=True,
    ),
    number(
        "rain_impossible_mm",
        "mm",
        (
            "rain that was left out: more than was ever measured anywhere in its length of time; "
            "null where there was none"
        ),
        0,
    ),
)
RAIN_JUDGED = (
    text("rain_from", "station that the rain is of, or 'hand gauge'; null where there is none"),
    flag(
        "rain_doubtful",
        (
            "true where the rain is kept but hard to believe: more than the place can have had by "
            "its normals, or by the other gauges of the field"
        ),
        required=True,
    ),
    flag(
        "gauge_lost",
        (
            "true where the gauge caught nothing for weeks while another one near by did: its "
            "zeros are no record; nor is a total of several days that is next to none of what it caught"
        ),
        required=True,
    ),
)
BY_HAND = count(
    "by_hand_d", "days whose rain was read by hand, those of a total of several included"
)
WIND_SPEED_OF_DAY = number(
    "wind_speed_mean_m_s", "m/s", "mean wind speed at the sensor's height", 0, 90
)
WIND_COVERAGE = coverage("share of the day with wind speed", "wind_coverage")
RADIATION_OF_DAY = (
    number(
        "solar_energy_mj_m2",
        "MJ/m^2",
        "global short-wave radiation, sum of the part of the day that was recorded; never scaled up",
        0,
        50,
    ),
    coverage("share of the day with radiation", "solar_coverage"),
)
SNOW_DEPTH_OF_DAY = number("snow_depth_cm", "cm", "last snow depth of the day", 0, 1500)
GAUGE_HEATED = flag("gauge_heated", "true where the rain gauge is heated")


def _rain_to_date(stem: str, since: str) -> tuple[Column, ...]:
    """Declare the rain since a day, its normal, its share of that in percent, its coverage."""
    return (
        number(f"{stem}_mm", "mm", f"rain recorded since {since}", 0),
        number(f"{stem}_normal_mm", "mm", f"normal of what was recorded since {since}", 0),
        number(
            f"{stem}_of_normal_pct",
            "percent",
            f"rain recorded since {since} in percent of its normal",
            0,
        ),
        coverage(f"share of the days since {since} with a rain record", f"{stem}_coverage"),
        count(f"{stem}_doubtful_d", f"days since {since} with rain that is hard to believe"),
    )


RAIN_TO_DATE = (
    *_rain_to_date("year_to_date", "1 January"),
    count("season", "season (year of harvest) that stood in the field", low=1900, high=2200),
    *_rain_to_date("season_to_date", "seeding"),
)

# The practice and its work
PRACTICE = text("practice", "the practice on trial")
PRACTICE_KEY = replace(PRACTICE, key=True)
WORKED_STRIP = replace(STRIP, meaning="the strip that was worked")
WORK_DAY = day("day", "day of the work", key=True)
WORK_PRACTICE = text("practice", "what was done", key=True)
WORK_DEPTH = number("depth_cm", "cm", "working depth", 0, 200)
WORK_SPEED = number("speed_km_h", "km/hour", "working speed", 0, 40)
WORK_DRAFT = number(
    "draft_kn", "kN", "draft of the whole implement, where it was measured", 0, 1000
)
CONTRACT_COST = number(
    "contract_cost_per_ha",
    "currency/hectare",
    "contract rate; where it is given it stands for fuel, machine and labour",
    0,
)
PRICE_RANGE = (
    number("price_low_per_kg", "currency/kg", "lowest price thought likely", 0, 1000),
    number("price_high_per_kg", "currency/kg", "highest price thought likely", 0, 1000),
)
LAST_OPERATION_DAY = day(
    "operation_day", "the last operation on the treated strip before the season"
)
YEARS_SINCE = count("years_since", "harvests since the operation, the first is 1", low=1)
CONE_INDEX_MAX = number(
    "cone_index_max_mpa", "MPa", "highest cone index of the compacted layer", 0, 20
)
COMPACTED_BOTTOM = number("compacted_bottom_cm", "cm", "bottom of the compacted layer", 0, 200)
WORKING_DEPTH = number("working_depth_cm", "cm", "depth to work at, just below the layer", 0, 250)
# Between which contents a layer gives water to a crop
LIMITS = (
    number(
        "drained_upper_limit_pct",
        "percent",
        "water content at which free drainage after a wetting has ended",
        0,
        100,
    ),
    text(
        "drained_upper_limit_from",
        "where the drained upper limit comes from",
        one_of=("given", "record", "highest seen"),
    ),
    count(
        "wettings",
        (
            "wettings with free drainage after them that stand behind the drained upper limit; 10 "
            "for ten or more"
        ),
    ),
    number("lower_limit_pct", "percent", "lowest sustained water content of the layer", 0, 100),
    text("lower_limit_from", "where the lower limit comes from", one_of=("given", "record")),
)
# The soil's state at a depth on a day, by the limits of its texture
SOIL_STATES = ("drier than friable", "friable", "wetter than friable")
FRIABLE = (
    share("friable_from_share", "share of its available water from which the soil is friable"),
    share("friable_to_share", "share up to which it is; beyond it turns plastic and smears"),
    text("limits_from", "source of those limits: published for the field's texture, or none"),
)
CAUTION = text("caution", "to be shown wherever this row is shown", required=True)

OBSERVED = text("what", "what was observed, in lower case, for example infiltration", key=True)
OBSERVED_LAYER = text("layer", "its depth in cm, or 'all' where it has none", key=True)
OBSERVED_DEPTH = number("depth_cm", "cm", "its depth; null where it has none", 0, 1000)

# What is known of a number
RESPONSE_PCT = number("response_pct", "percent", "response in percent of the check strip's yield")
PARTIAL = flag("partial", "true where the row was made from part of the data that should be there")
REASON = text("reason", "in plain words, why a number is missing or partial; null when whole")


def completeness(covered: str) -> tuple[Column, ...]:
    """Declare how every derived table ends: its coverage (``covered`` says of what), and why."""
    return (coverage(covered), PARTIAL, REASON)


def counted_by(name: str, what: str = "the interval counts") -> Column:
    """Declare what the interval of a mean over site-years counts as one observation."""
    return text(name, f"what {what} as one observation", one_of=("site-year", "field", "season"))


def together(more: str, less: str) -> Column:
    """Declare the verdict of site-years pooled."""
    return text(
        "verdict",
        "what they say together; 'not shown' is not 'no effect'",
        one_of=(more, less, "not shown", "too few"),
    )


def interval(
    stem: str, unit: str, of: str = "its 95 % interval", low: float | None = None
) -> tuple[Column, ...]:
    """Declare the lower and the upper end of an interval, named by its stem, end and unit."""
    return tuple(
        number(f"{stem}_{end}{SUFFIX[unit]}", unit, f"{word} end of {of}", low)
        for end, word in (("low", "lower"), ("high", "upper"))
    )


def share_interval(
    stem: str, of: str = "its 95 % interval", limited: bool = True
) -> tuple[Column, ...]:
    """Declare the ends of a share's interval, between 0 and 1 if ``limited``."""
    low, high = (0.0, 1.0) if limited else (None, None)
    ends = interval(stem, "1", of)
    return tuple(replace(end, low=low, high=high, share=Share.PART) for end in ends)


def p_value(name: str, meaning: str) -> Column:
    """Declare the probability of so extreme a result by chance alone; never shown in percent."""
    return number(name, "1", meaning, 0, 1)


def adjusted_p(compared: str, of: str = "p") -> Column:
    """Declare the p-value after a correction for the number of things compared."""
    return p_value(
        "p_adjusted",
        f"{of} after allowing for the number of {compared} (Benjamini-Hochberg); the verdict goes by it",
    )


RESPONSE_INTERVAL = interval("response", "kg/ha")
RESPONSE_INTERVAL_PCT = interval("response", "percent")
