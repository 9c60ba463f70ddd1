"""How the loggers write: readings in SI become the text of files, each field in its own way.

The layouts are our own inventions; ``farm.toml`` describes each. A file is a path below the farm
folder, its bytes, and the time at which it was written.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl

from demo_warehouse.simulator.damage import FILED
from demo_warehouse.simulator.probes import clock, midnight, vwc, warmth
from demo_warehouse.simulator.stations import TIME

UTC_UNTIL = date(2021, 3, 31)  # Windbreak's treated station had its clock in UTC
QUARTER_FROM = date(2024, 4, 24)  # Stonepile's loggers were changed
REORDERED_FROM = 2023
RESET_DAY = date(2021, 11, 9)  # Stonepile's rain totals were set to zero by hand


@dataclass(frozen=True, slots=True)
class File:
    """One file as a logger left it."""

    path: str
    content: bytes
    written: datetime  # UTC


def rows(frame: pl.DataFrame, delimiter: str = ",", null: str = "") -> str:
    """The rows as delimited text without a heading."""
    return frame.write_csv(include_header=False, separator=delimiter, null_value=null)


def _file(path: str, text: str, part: pl.DataFrame, encoding: str = "utf-8") -> File:
    last: datetime = part[FILED][-1]
    return File(path, text.encode(encoding), last + timedelta(hours=7, minutes=4))


def parts(frame: pl.DataFrame, every: str) -> Iterator[tuple[datetime, pl.DataFrame]]:
    """The rows of each calendar month, week or year (``1mo``, ``1w``, ``1y``) by when written."""
    start = pl.col(FILED).dt.offset_by("-1us").dt.truncate(every)
    for (begin,), part in frame.group_by(start, maintain_order=True):
        assert isinstance(begin, datetime)
        yield begin, part


def _stamp(form: str, shift: timedelta = timedelta()) -> pl.Expr:
    return (pl.col(TIME) + shift).dt.strftime(form)


def windbreak_station(frame: pl.DataFrame, name: str, logger: str) -> Iterator[File]:
    """Comma text, a file a month: preamble, heading, units row, aggregation row."""
    columns = {
        "Air": ("air_temp_c", "degC", "avg"),
        "Humidity": ("relative_humidity_pct", "%", "avg"),
        "Rain": ("rain_mm", "mm", "sum"),
        "Wind": ("wind_speed_m_s", "m/s", "avg"),
        "Sun": ("solar_radiation_w_m2", "W/m2", "avg"),
        "Baro": ("air_pressure_kpa", "hPa", "avg"),
        "Supply": ("battery_v", "V", "min"),
        "Snow": ("snow_depth_cm", "cm", "smp"),
    }
    frame = frame.with_columns(
        (pl.col("air_pressure_kpa") * 10).round(2), pl.col("air_temp_c").fill_null(-6999)
    )
    for begin, part in parts(frame, "1mo"):
        utc = name.endswith("treated") and begin.date() <= UTC_UNTIL
        changed = begin.year >= REORDERED_FROM
        heads = {
            "Air temperature" if changed and head == "Air" else head: column
            for head, column in (reversed(columns.items()) if changed else columns.items())
        }
        folder = "utc" if utc else "station"
        shift = timedelta(hours=7) if utc else timedelta()
        path = f"{folder}/{logger}_{begin:%Y-%m}.csv"
        yield _windbreak(path, part, name, logger, heads, shift=shift)


def windbreak_probe(
    frame: pl.DataFrame, name: str, logger: str, depths: tuple[float, ...]
) -> Iterator[File]:
    """The same logger's probe files, with a byte-order mark."""
    heads = {}
    for depth in depths:
        heads[f"Water {depth:g}"] = (vwc(depth), "%", "smp")
        heads[f"Warmth {depth:g}"] = (warmth(depth), "degC", "smp")
    for begin, part in parts(frame, "1mo"):
        path = f"probe/{logger}_{begin:%Y-%m}.csv"
        yield _windbreak(path, part, name, logger, heads, encoding="utf-8-sig")


def _windbreak(
    path: str,
    part: pl.DataFrame,
    name: str,
    logger: str,
    heads: dict[str, tuple[str, str, str]],
    *,
    shift: timedelta = timedelta(),
    encoding: str = "utf-8",
) -> File:
    """A file of that logger: ``heads`` are column, unit and aggregation by heading."""
    columns, units, kinds = zip(*heads.values(), strict=True)
    top = [
        f"Larkspur Flats,{name}",
        f"logger {logger},program 3",
        f"written after {part[FILED][-1]:%Y-%m-%d %H:%M}",
        ",".join(["Stamp", *heads]),
        ",".join(["", *units]),
        ",".join(["", *kinds]),
    ]
    out = part.select(_stamp("%Y-%m-%d %H:%M:%S", shift), *columns)
    text = "\n".join(top) + "\n" + rows(out, null="NAN")
    return _file(f"drop/windbreak/{path}", text, part, encoding)


def _comma(column: str, places: int) -> pl.Expr:
    """A number with a decimal comma and, from a thousand, a point: 1.234,5."""
    scaled = (pl.col(column) * 10**places).round().cast(pl.Int64)
    whole, part = scaled.abs() // 10**places, scaled.abs() % 10**places
    sign = pl.when(scaled < 0).then(pl.lit("-")).otherwise(pl.lit(""))
    low = (whole % 1000).cast(pl.String)
    grouped = (
        pl.when(whole >= 1000)
        .then(pl.format("{}.{}", whole // 1000, low.str.zfill(3)))
        .otherwise(low)
    )
    if not places:
        return pl.format("{}{}", sign, grouped).alias(column)
    return pl.format("{}{},{}", sign, grouped, part.cast(pl.String).str.zfill(places)).alias(column)


def _wall_clock(frame: pl.DataFrame) -> pl.DataFrame:
    """``day`` and ``hour``: the start of the hour on a clock that keeps daylight saving."""
    wall = (
        (pl.col(TIME) + timedelta(hours=7 - 1))
        .dt.replace_time_zone("UTC")
        .dt.convert_time_zone("America/Edmonton")
    )
    return frame.with_columns(
        wall.dt.strftime("%d.%m.%Y").alias("day"), wall.dt.strftime("%H:%M").alias("hour")
    )


def coulee_station(frame: pl.DataFrame, logger: str) -> Iterator[File]:
    """Semicolons, decimal commas, Windows-1252, daylight saving, a file a week."""
    head = "Day;Hour;Air (°C);Humidity (%);Rain (mm);Radiation (kJ/m²);Battery (mV)\n"
    frame = _wall_clock(frame).with_columns(
        solar=pl.col("solar_radiation_w_m2").clip(0) * 3.6, milli=pl.col("battery_v") * 1000
    )
    places = {"air_temp_c": 1, "relative_humidity_pct": 0, "rain_mm": 1, "solar": 1, "milli": 0}
    frame = frame.with_columns(_comma(column, number) for column, number in places.items())
    for begin, part in parts(frame, "1w"):
        text = head + rows(part.select("day", "hour", *places), ";", "--")
        path = f"drop/coulee/station/{logger}_{begin:%G-W%V}.csv"
        yield _file(path, text.replace("\n", "\r\n"), part, encoding="cp1252")


def coulee_probe(frame: pl.DataFrame, logger: str, depths: tuple[float, ...]) -> Iterator[File]:
    """A row a sensor and hour, sensors by name, a file a month."""
    head = "Day;Hour;Sensor;Moisture (vol. %);Soil (°C)\n"
    long = pl.concat(
        frame.select(TIME, FILED, sensor=pl.lit(f"S{k}"), water=vwc(d), warmth=warmth(d))
        for k, d in enumerate(depths, 1)
    ).sort(FILED, "sensor")
    long = _wall_clock(long).with_columns(_comma("water", 1), _comma("warmth", 1))
    for begin, part in parts(long, "1mo"):
        text = head + rows(part.select("day", "hour", "sensor", "water", "warmth"), ";", "--")
        path = f"drop/coulee/probe/{logger}_{begin:%Y-%m}.csv"
        yield _file(path, text.replace("\n", "\r\n"), part, encoding="cp1252")


def _yearly(frame: pl.DataFrame, logger: str, heads: dict[str, Any]) -> Iterator[File]:
    """Files that a logger appends to: one a year, and its columns in another order each year."""
    stamp = _stamp("%Y-%m-%dT%H:%M:%SZ").alias("time")
    for until, folder in ((True, "hourly"), (False, "quarter")):
        side = pl.col(FILED) < midnight(QUARTER_FROM)
        for begin, part in parts(frame.filter(side if until else ~side), "1y"):
            turn = begin.year % len(heads)
            names = [*list(heads)[turn:], *list(heads)[:turn]]
            if begin.year < REORDERED_FROM:
                names = [n for n in names if n != "gust_kmh"]
            out = part.select(stamp, *(pl.col(heads[n]).alias(n) for n in names))
            path = f"drop/stonepile/{folder}/{logger}_{begin:%Y}.csv"
            yield _file(path, ",".join(["time", *names]) + "\n" + rows(out), part)


def stonepile_station(frame: pl.DataFrame, logger: str) -> Iterator[File]:
    """Plain comma text; rain as a running total that rolls over at 500 mm, reset once by hand."""
    reset = pl.col(FILED) >= clock(RESET_DAY, 14)
    total = pl.col("rain_mm").fill_null(0).cum_sum()
    frame = frame.with_columns(
        pl.when(reset).then(total - total.filter(~reset).max()).otherwise(total).alias("sum")
    ).with_columns(
        (pl.col("sum") % 500).round(1).alias("total"),
        (pl.col("wind_speed_m_s") * 3.6).round(1).alias("wind"),
        (pl.col("wind_gust_m_s") * 3.6).round(1).alias("gust"),
    )
    heads = {
        "t_air": "air_temp_c",
        "rh": "relative_humidity_pct",
        "rain_total": "total",
        "wind_kmh": "wind",
        "gust_kmh": "gust",
        "sun": "solar_radiation_w_m2",
        "volt": "battery_v",
    }
    return _yearly(frame, logger, heads)


def stonepile_probe(frame: pl.DataFrame, logger: str, depths: tuple[float, ...]) -> Iterator[File]:
    """Water content in m3/m3."""
    frame = frame.with_columns((pl.col(vwc(d)) / 100).round(4) for d in depths)
    heads = {f"theta_{d:g}": vwc(d) for d in depths} | {f"ts_{d:g}": warmth(d) for d in depths}
    return _yearly(frame, logger, heads)


def _month_first(frame: pl.DataFrame) -> pl.DataFrame:
    """``date`` and ``clock``, month first, midnight as 24:00 of the day that ends."""
    ends = pl.col(TIME).dt.offset_by("-1m")
    midnight = (pl.col(TIME).dt.hour() == 0) & (pl.col(TIME).dt.minute() == 0)
    return frame.with_columns(
        ends.dt.strftime("%m/%d/%Y").alias("date"),
        pl.when(midnight).then(pl.lit("24:00")).otherwise(_stamp("%H:%M")).alias("clock"),
    )


def _overlapping(
    frame: pl.DataFrame, logger: str, heads: dict[str, str], below: str = ""
) -> Iterator[File]:
    """A file a month that begins with the last two days of the month before.

    ``heads`` are columns by heading; ``below`` is a line under them.
    """
    head = "\t".join(["DATE", "TIME", *heads]) + "\n" + below
    before: pl.DataFrame | None = None
    for begin, part in parts(frame, "1mo"):
        tail = part if before is None else pl.concat([before.tail(48), part])
        text = head + rows(tail.select("date", "clock", *heads.values()), "\t", "n/a")
        path = f"drop/gumbo/{logger}_{begin:%Y%m}.txt"
        yield _file(path, text.replace("\n", "\r\n"), part, encoding="utf-16")
        before = part


def gumbo_station(frame: pl.DataFrame, logger: str) -> Iterator[File]:
    """UTF-16, tabs, Fahrenheit and inches, rain since midnight, -9999 here and -99 there."""
    rain = pl.col("rain_mm")
    day = pl.col(TIME).dt.offset_by("-1m").dt.date()
    inches = (rain.fill_null(0).cum_sum().over(day) / 25.4).round(2)
    frame = _month_first(frame).with_columns(
        (pl.col("air_temp_c") * 1.8 + 32).round(1).fill_null(-99),
        pl.col("relative_humidity_pct").fill_null(-99),
        pl.when(rain.is_null()).then(-9999.0).otherwise(inches).alias("today"),
        (pl.col("wind_speed_m_s") / 0.44704).round(1).fill_null(-99),
    )
    heads = {
        "TEMP F": "air_temp_c",
        "RH": "relative_humidity_pct",
        "RAIN TODAY in": "today",
        "WIND m/s": "wind_speed_m_s",
        "VOLTS": "battery_v",
    }
    return _overlapping(frame, logger, heads, "\t\tAVG\tAVG\tLAST\tAVG\tLAST\n")


def gumbo_probe(frame: pl.DataFrame, logger: str, depths: tuple[float, ...]) -> Iterator[File]:
    """Depths in inches in the headings, soil in Fahrenheit."""
    frame = _month_first(frame).with_columns(
        (pl.col(warmth(d)) * 1.8 + 32).round(1) for d in depths
    )
    heads = {
        f"{letter}{round(d / 2.54 / 4) * 4}": of(d)
        for d in depths
        for letter, of in (("M", vwc), ("T", warmth))
    }
    return _overlapping(frame, logger, heads)
