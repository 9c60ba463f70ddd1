"""USCRN daily01 and hourly02: blank-separated columns without a heading (readmes of NOAA NCEI).

The columns are those of the readmes: daily01, and hourly02 in its format 03 (since 7 January 2013,
when SUR_TEMP_TYPE was added; the formats before it have other columns and are not read).
"""

from __future__ import annotations

from collections.abc import Iterator

from flows.intake.readers import delimited
from flows.intake.readers.chunk import FLAG_OF, Chunk, Content
from schemas.farm.layout import Layout

DEPTHS = (5, 10, 20, 50, 100)
PLACE = ("CRX_VN", "LONGITUDE", "LATITUDE")
DAILY = (
    *("WBANNO", "LST_DATE", *PLACE),
    *("T_DAILY_MAX", "T_DAILY_MIN", "T_DAILY_MEAN", "T_DAILY_AVG", "P_DAILY_CALC"),
    *("SOLARAD_DAILY", "SUR_TEMP_DAILY_TYPE"),
    *("SUR_TEMP_DAILY_MAX", "SUR_TEMP_DAILY_MIN", "SUR_TEMP_DAILY_AVG"),
    *("RH_DAILY_MAX", "RH_DAILY_MIN", "RH_DAILY_AVG"),
    *(f"SOIL_MOISTURE_{d}_DAILY" for d in DEPTHS),
    *(f"SOIL_TEMP_{d}_DAILY" for d in DEPTHS),
)
HOURLY = (
    *("WBANNO", "UTC_DATE", "UTC_TIME", "LST_DATE", "LST_TIME", *PLACE),
    *("T_CALC", "T_HR_AVG", "T_MAX", "T_MIN", "P_CALC"),
    *("SOLARAD", "SOLARAD_FLAG", "SOLARAD_MAX", "SOLARAD_MAX_FLAG"),
    *("SOLARAD_MIN", "SOLARAD_MIN_FLAG"),
    *("SUR_TEMP_TYPE", "SUR_TEMP", "SUR_TEMP_FLAG", "SUR_TEMP_MAX", "SUR_TEMP_MAX_FLAG"),
    *("SUR_TEMP_MIN", "SUR_TEMP_MIN_FLAG", "RH_HR_AVG", "RH_HR_AVG_FLAG"),
    *(f"SOIL_MOISTURE_{d}" for d in DEPTHS),
    *(f"SOIL_TEMP_{d}" for d in DEPTHS),
)
COLUMNS = {"uscrn_daily": DAILY, "uscrn_hourly": HOURLY}


def read(content: Content, layout: Layout) -> Iterator[Chunk]:
    """Yield the rows as delimited text whose columns are known by their place."""
    names = COLUMNS[layout.format]
    back = {
        f"{mark}{place}": f"{mark}{name}"
        for place, name in enumerate(names, 1)
        for mark in ("v:", FLAG_OF)
    }
    for chunk in delimited.read(content, _by_place(layout, names)):
        yield Chunk(chunk.frame.rename(back, strict=False), chunk.faults, chunk.raw)


def _by_place(layout: Layout, names: tuple[str, ...]) -> Layout:
    """Return the layout with its columns named by their place, as in a file without headings."""
    place = {name: str(i) for i, name in enumerate(names, 1)}
    rules = {
        place[name]: rule.model_copy(update={"flag": place.get(rule.flag or "")})
        for name, rule in layout.columns.items()
        if name in place
    }
    times = tuple(place[name] for name in layout.time.columns)
    time = layout.time.model_copy(update={"columns": times})
    return layout.model_copy(
        update={
            "delimiter": " ",
            "header": 0,
            "columns": rules,
            "time": time,
            "format": "delimited",
        }
    )
