"""The week's weather: rain and season to date against normal, heat, crop water use."""

from __future__ import annotations

import polars as pl

from flows.pages.cells import Grid, Line, Phrase, Row, cell, joined, line, say
from flows.pages.published_tables import Tables, last_row
from flows.pages.week import Week

CORN = ("corn", "maize", "soybean")


def stations(tables: Tables, week: Week, field: str) -> list[Row]:
    """The week of each station of a field, treated first."""
    found = tables("weather_week", field=field, week_starts=week.monday)
    return found.sort("strip", "station", descending=[True, False]).to_dicts()


def lines(tables: Tables, week: Week, field: str) -> list[Line]:
    """The field's rain and season to date; while a crop stands its heat and water use."""
    weeks = [row for row in stations(tables, week, field) if row["rain_mm"] is not None]
    season = tables.season_on(field, week.sunday)
    out = [_rain(tables, week, weeks)] if weeks else []
    if season is None:
        return out
    growth = (_heat(tables, week, season), _crop_use(weeks))
    return out + [told for told in growth if told is not None]


def _side(row: Row) -> Phrase:
    place = cell("weather_week", row, "strip" if row["strip"] else "station")
    told = "{rain} at the {place} strip" if row["strip"] else "{rain} at {place}"
    return say(told, rain=cell("weather_week", row, "rain_mm"), place=place)


def _rain(tables: Tables, week: Week, weeks: list[Row]) -> Line:
    """The week's rain, and the season's to date; the least covered station's coverage."""
    worst = min(weeks, key=lambda row: row["coverage"] or 0.0)
    normals = [row for row in weeks if row["normal_recorded_mm"] is not None]
    told = say(
        "Rain on {field}: {rains}",
        field=cell("weather_week", weeks[0], "field"),
        rains=joined([_side(row) for row in weeks]),
    )
    if normals:
        normal = cell("weather_week", normals[0], "normal_recorded_mm")
        told += say("; normal for the days recorded {normal}.", normal=normal)
    else:
        told += say("; no normal is known.")
    row = to_date(tables, week, [row["station"] for row in weeks])
    if row is not None:
        names = ("mm", "normal_mm", "of_normal_pct", "coverage")
        given = {name: cell("rain_day", row, f"season_to_date_{name}") for name in names}
        given["side"] = cell("rain_day", row, "strip" if row["strip"] else "station")
        part = row["season_to_date_coverage"] is None or row["season_to_date_coverage"] < 1
        since = " Since seeding {mm} at the {side} strip"
        since += ", {of_normal_pct} of normal" if given["of_normal_pct"].known else ""
        told += say(since + (" (recorded: {coverage} of the days)." if part else "."), **given)
    return line("weather_week", worst, "{told}", told=told)


def to_date(tables: Tables, week: Week, names: list[str]) -> Row | None:
    """The week's last day with a season to date, of the first station that has one."""
    for station in names:
        days = tables("rain_day", station=station).filter(
            pl.col("day").is_between(week.monday, week.sunday)
            & pl.col("season_to_date_mm").is_not_null()
        )
        row = last_row(days)
        if row is not None:
            return row
    return None


def _heat(tables: Tables, week: Week, season: Row) -> Line | None:
    days = tables("heat_day", field=season["field"], season=season["season"]).filter(
        pl.col("day").is_between(week.monday, week.sunday)
    )
    row = last_row(days.sort("day", "strip"))
    if row is None or row["gdd_clipped_sum_c_d"] is None:
        return None
    names = ("field", "crop", "gdd_clipped_sum_c_d", "base_temp_c", "corn_heat_units_sum")
    given = {name: cell("heat_day", row, name) for name in names}
    told = "The {crop} on {field} has had {gdd_clipped_sum_c_d} above {base_temp_c} since seeding"
    told += ", and corn heat units of {corn_heat_units_sum}." if row["crop"] in CORN else "."
    return line("heat_day", row, told, **given)


def _crop_use(weeks: list[Row]) -> Line | None:
    known = [row for row in weeks if row["crop_et_mm"] is not None]
    if not known:
        return None
    row = max(known, key=lambda found: found["et_days"])
    names = ("field", "crop_et_mm", "et_days")
    told = "Without lack of water the crop on {field} would have used {crop_et_mm} this week (days counted: {et_days})."
    return Line(say(told, **{name: cell("weather_week", row, name) for name in names}))


def all_in_one(tables: Tables, week: Week) -> Line | None:
    """The whole farm's rain in one sentence, for a quiet week."""
    told, worst = [], None
    for field in tables.fields():
        rows = [row for row in stations(tables, week, field["field"]) if row["rain_mm"] is not None]
        if rows:
            rain = cell("weather_week", rows[0], "rain_mm")
            told.append(say("{field} {rain}", field=cell("field", field, "field"), rain=rain))
            if worst is None or rows[0]["coverage"] < worst["coverage"]:
                worst = rows[0]
    if worst is None:
        return None
    return line("weather_week", worst, "Rain or snow of the week: {told}.", told=joined(told))


def grid(tables: Tables, week: Week) -> Grid | None:
    """The week at every station."""
    columns = {
        "station": "Station", "rain_mm": "Rain", "departure_mm": "Against normal",
        "air_temp_min_c": "Lowest", "air_temp_max_c": "Highest", "coverage": "Coverage",
    }  # fmt: skip
    rows, notes = [], []
    for field in tables.fields():
        for row in stations(tables, week, field["field"]):
            cells = [cell("weather_week", row, name) for name in columns]
            cells[2] = cells[2].with_sign()
            rows.append(tuple((c,) for c in cells))
            if row["partial"] and row["reason"]:
                notes.append(Line(say("{station}: {why}.", station=cells[0], why=cell("weather_week", row, "reason"))))  # fmt: skip
    if not rows:
        return None
    return Grid(
        say("The week at each station"), tuple((head,) for head in columns.values()),
        tuple(rows), tuple(notes),
    )  # fmt: skip
