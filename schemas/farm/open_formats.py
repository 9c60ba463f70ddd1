"""What the layouts of open, published formats say without being told."""

from typing import Any

from schemas.flags import Meaning

# What a farm file need not say because the open, public format says it. Sources: GHCN-Daily readme
# (NOAA NCEI), sections III (format of ``.dly`` files); USCRN readmes of the products daily01 and
# hourly02 (NOAA NCEI; an hour is stamped at its end in UTC, a day is that of local standard time);
# OGC 18-088 SensorThings API part 1 (ISO 8601 times with their zone).
DEPTHS_CM = (5, 10, 20, 50, 100)
USCRN_MISSING = (-9999, -99999)
SOIL_MISSING = (-99, -9999)


def _column(quantity: str, unit: str, **more: Any) -> dict[str, Any]:
    return {"quantity": quantity, "unit": unit, "optional": True} | more


# GHCN-Daily readme, table of flags: T is a trace; any quality flag (a check of the archive failed)
# makes a value suspect. The reader writes M or Q before the letter, and SEVERAL for rain of several days.
SEVERAL = "several"
GHCN_FLAGS: dict[str, Meaning] = {
    **dict.fromkeys((f"M{letter}" for letter in "BDHKLOPW"), "good"),
    **dict.fromkeys((f"Q{letter}" for letter in "DGIKLMNORSTWXZ"), "suspect"),
    "MT": "trace",
    SEVERAL: "accumulated",
    "*": "suspect",
}
# USCRN readmes, note on flags (from memory): 0 good, 1 an overflow of the field, 3 erroneous.
USCRN_FLAGS: dict[str, Meaning] = {"1": "suspect", "3": "suspect", "*": "good"}

GHCN_DAILY: dict[str, Any] = {
    "time": {"columns": ["DATE"], "format": "%Y%m%d"},
    "stamp": "start",
    "step": "1 day",
    "shape": "long",
    "series_column": "ELEMENT",
    "value_column": "VALUE",
    "flag_column": "FLAG",
    "rain_days_column": "DAPR",
    "flags": GHCN_FLAGS,
    "columns": {
        "TMAX": _column("air_temp_max", "0.1 degC"),
        "TMIN": _column("air_temp_min", "0.1 degC"),
        "TAVG": _column("air_temp", "0.1 degC"),
        "PRCP": _column("rain", "0.1 mm"),
        "SNWD": _column("snow_depth", "mm"),
        "AWND": _column("wind_speed", "0.1 m/s"),
        "WSFG": _column("wind_gust", "0.1 m/s"),
        "RHAV": _column("relative_humidity", "percent"),
        "RHMX": _column("relative_humidity_max", "percent"),
        "RHMN": _column("relative_humidity_min", "percent"),
    },
}

USCRN_DAILY: dict[str, Any] = {
    "time": {"columns": ["LST_DATE"], "format": "%Y%m%d"},
    "stamp": "start",
    "step": "1 day",
    "missing": list(USCRN_MISSING),
    "columns": {
        "T_DAILY_MAX": _column("air_temp_max", "degC"),
        "T_DAILY_MIN": _column("air_temp_min", "degC"),
        "T_DAILY_AVG": _column("air_temp", "degC"),
        "P_DAILY_CALC": _column("rain", "mm"),
        "SOLARAD_DAILY": _column("solar_energy", "MJ/m^2"),
        "RH_DAILY_MAX": _column("relative_humidity_max", "percent"),
        "RH_DAILY_MIN": _column("relative_humidity_min", "percent"),
        "RH_DAILY_AVG": _column("relative_humidity", "percent"),
    }
    | {
        f"SOIL_MOISTURE_{d}_DAILY": _column(
            "vwc", "m^3/m^3", depth_cm=d, missing=list(SOIL_MISSING)
        )
        for d in DEPTHS_CM
    }
    | {f"SOIL_TEMP_{d}_DAILY": _column("soil_temp", "degC", depth_cm=d) for d in DEPTHS_CM},
}

USCRN_HOURLY: dict[str, Any] = {
    "time": {"columns": ["UTC_DATE", "UTC_TIME"], "format": "%Y%m%d %H%M", "offset": "Z"},
    "stamp": "end",
    "step": "1 h",
    "missing": list(USCRN_MISSING),
    "columns": {
        "T_HR_AVG": _column("air_temp", "degC"),
        "T_MAX": _column("air_temp_max", "degC"),
        "T_MIN": _column("air_temp_min", "degC"),
        "P_CALC": _column("rain", "mm"),
        "SOLARAD": _column("solar_radiation", "W/m^2", flag="SOLARAD_FLAG", flags=USCRN_FLAGS),
        "RH_HR_AVG": _column(
            "relative_humidity", "percent", flag="RH_HR_AVG_FLAG", flags=USCRN_FLAGS
        ),
    }
    | {
        f"SOIL_MOISTURE_{d}": _column("vwc", "m^3/m^3", depth_cm=d, missing=list(SOIL_MISSING))
        for d in DEPTHS_CM
    }
    | {f"SOIL_TEMP_{d}": _column("soil_temp", "degC", depth_cm=d) for d in DEPTHS_CM},
}

SENSORTHINGS: dict[str, Any] = {
    "time": {"columns": ["phenomenonTime"], "trust_zone": True},
    "stamp": "end",
    "records": "value",
    "shape": "long",
    "series_column": "Datastream.name",
    "value_column": "result",
}

# Format → what its layout says without being told; the farm file's own keys stand over these.
OPEN: dict[str, dict[str, Any]] = {
    "ghcn_daily": GHCN_DAILY,
    "uscrn_daily": USCRN_DAILY,
    "uscrn_hourly": USCRN_HOURLY,
    "sensorthings": SENSORTHINGS,
}


def fill_open_format(content: Any) -> Any:
    """Return a layout as written in the farm file, completed with what its open format says.

    ``columns`` and ``flags`` given in the farm file are added to the format's own; the tables
    ``time`` are joined key by key.
    """
    if not isinstance(content, dict) or content.get("format") not in tuple(OPEN):
        return content
    known = OPEN[content["format"]]
    whole = known | content
    for table in ("time", "columns", "flags"):
        if isinstance(known.get(table), dict) and isinstance(content.get(table), dict):
            whole[table] = known[table] | content[table]
    return whole
