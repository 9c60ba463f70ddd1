"""The week's weather: rain and season to date against normal, heat, crop water use."""

from __future__ import annotations

import polars as pl

from flows.digest.cells import Grid, Line, Phrase, Row, cell, joined, line, say
from flows.digest.tables import Tables, last_row
from flows.digest.week import Week

_CORN = ("corn", "maize", "soybean")


def stations(tables: Tables, week: Week, field: str) -> list[Row]:
    """The week of each station of a field, treated first."""
    found = tables("weather_week", field=field, week_starts=week.monday)
    return found.sort("strip", "station", descending=[True, False]).to_dicts()


def lines(tables: Tables, week: Week, field: str) -> list[Line]:
    """The field's week in sentences; its season to date while a crop stands."""
    weeks = [row for row in stations(tables, week, field) if row["rain_mm"] is not None]
    season = tables.season_on(field, week.sunday)
    out = [_of_week(weeks)] if weeks else []
    if season is None:
        return out
    out += [told for told in (_to_date(tables, week, weeks), _heat(tables, week, season)) if told]
    return out + [told for told in (_crop_use(weeks),) if told]


def _side(row: Row) -> Phrase:
    place = cell("weather_week", row, "strip" if row["strip"] else "station")
    return say("{rain} at the {place} strip" if row["strip"] else "{rain} at {place}", rain=cell("weather_week", row, "rain_mm"), place=place)  # fmt: skip


def _of_week(weeks: list[Row]) -> Line:
    worst = min(weeks, key=lambda row: row["coverage"] or 0.0)
    normals = [row for row in weeks if row["normal_recorded_mm"] is not None]
    told = say("Rain on {field}: {rains}", field=cell("weather_week", weeks[0], "field"), rains=joined([_side(row) for row in weeks]))  # fmt: skip
    if normals:
        normal = cell("weather_week", normals[0], "normal_recorded_mm")
        told += say("; normal for the days recorded {normal}.", normal=normal)
    else:
        told += say("; no normal is known.")
    return line("weather_week", worst, "{told}", told=told)


def _to_date(tables: Tables, week: Week, weeks: list[Row]) -> Line | None:
    for station in weeks:
        days = tables("rain_day", station=station["station"]).filter(
            pl.col("day").is_between(week.monday, week.sunday)
            & pl.col("season_to_date_mm").is_not_null()
        )
        row = last_row(days)
        if row is None:
            continue
        given = {name: cell("rain_day", row, f"season_to_date_{name}") for name in ("mm", "normal_mm", "of_normal_pct", "coverage")}  # fmt: skip
        side = cell("rain_day", row, "strip" if row["strip"] else "station")
        told = "Since seeding {mm} ({side}), {of_normal_pct} of the normal {normal_mm}."
        if not given["of_normal_pct"].known:
            told = "Since seeding {mm} ({side}); no normal is known."
        return Line(say(told, side=side, **given), given["coverage"])
    return None


def _heat(tables: Tables, week: Week, season: Row) -> Line | None:
    days = tables("heat_day", field=season["field"], season=season["season"]).filter(
        pl.col("day").is_between(week.monday, week.sunday)
    )
    row = last_row(days.sort("day", "strip"))
    if row is None or row["gdd_clipped_sum_c_d"] is None:
        return None
    given = {name: cell("heat_day", row, name) for name in ("crop", "gdd_clipped_sum_c_d", "base_temp_c", "corn_heat_units_sum")}  # fmt: skip
    told = "The {crop} has had {gdd_clipped_sum_c_d} above {base_temp_c} since seeding"
    told += ", and corn heat units of {corn_heat_units_sum}." if row["crop"] in _CORN else "."
    return line("heat_day", row, told, **given)


def _crop_use(weeks: list[Row]) -> Line | None:
    known = [row for row in weeks if row["crop_et_mm"] is not None]
    if not known:
        return None
    row = max(known, key=lambda found: found["et_days"])
    return Line(
        say(
            "A crop without lack of water would have used {et} this week (days counted: {days}).",
            et=cell("weather_week", row, "crop_et_mm"),
            days=cell("weather_week", row, "et_days"),
        )
    )


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
