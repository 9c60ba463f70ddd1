"""USCRN daily01 and hourly02: blank-separated columns without a heading (readmes of NOAA NCEI).

The columns are those of the readmes: daily01, and hourly02 in its format 03 (since 7 January 2013,
when SUR_TEMP_TYPE was added; the formats before it have other columns and are not read). A value
that the network flags as erroneous (flag 3) is missing.
"""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from flows.intake.readers import delimited
from flows.intake.readers.chunk import Chunk, Content
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
FLAGS = {"SOLARAD": "SOLARAD_FLAG", "RH_HR_AVG": "RH_HR_AVG_FLAG"}
ERRONEOUS = "3"


def read(content: Content, layout: Layout) -> Iterator[Chunk]:
    """Yield the rows as delimited text whose columns are known by their place."""
    names = COLUMNS[layout.format]
    flags = {v: f for v, f in FLAGS.items() if f in names and v in layout.columns}
    plain = _by_place(layout, names, tuple(flags.values()))
    for chunk in delimited.read(content, plain):
        frame = chunk.frame
        back = {f"v:{names.index(n) + 1}": f"v:{n}" for n in layout.columns if n in names}
        frame = frame.rename(back, strict=False)
        for value, flag in flags.items():
            written = pl.col(f"v:{names.index(flag) + 1}").cast(pl.Float64, strict=False)
            sound = (written != float(ERRONEOUS)).fill_null(True)
            frame = frame.with_columns(
                pl.when(sound).then(pl.col(f"v:{value}")).alias(f"v:{value}")
            )
        frame = frame.drop([f"v:{names.index(f) + 1}" for f in flags.values()])
        yield Chunk(frame, chunk.faults, chunk.raw)


def _by_place(layout: Layout, names: tuple[str, ...], more: tuple[str, ...]) -> Layout:
    """Return the layout with its columns named by their place, as in a file without headings."""
    rules = {n: r for n, r in layout.columns.items() if n in names}
    pattern = next(iter(rules.values()))
    at = {str(names.index(n) + 1): r for n, r in rules.items()}
    at |= {str(names.index(n) + 1): pattern for n in more}
    times = tuple(str(names.index(n) + 1) for n in layout.time.columns)
    time = layout.time.model_copy(update={"columns": times})
    return layout.model_copy(
        update={"delimiter": " ", "header": 0, "columns": at, "time": time, "format": "delimited"}
    )
