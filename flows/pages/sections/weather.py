"""The week's weather: rain and season to date against normal, heat, crop water use."""

import polars as pl

from flows.pages.cells import Grid, Line, Phrase, Row, cell, grid, joined, line, say, say_row
from flows.pages.published_tables import Tables, last_row
from flows.pages.sections import irrigation
from flows.pages.week import Week

_CORN_AND_SOY = ("corn", "maize", "soybean")
_COLUMNS = {
    "station": "Station",
    "rain_mm": "Rain",
    "departure_mm": "Against normal",
    "air_temp_min_c": "Lowest",
    "air_temp_max_c": "Highest",
    "coverage": "Coverage",
}


_WEATHER = ("rain_mm", "air_temp_min_c", "air_temp_max_c", "crop_et_mm")


def stations(tables: Tables, week: Week, field: str) -> list[Row]:
    """Return the week of each station of a field, treated first."""
    weeks = tables("weather_week", field=field)
    weather = pl.any_horizontal(pl.col(name).is_not_null() for name in _WEATHER)
    gauged = weeks.filter(weather).select("station").unique()  # a water meter has no weather
    found = weeks.filter(pl.col("week_starts") == week.monday).join(
        gauged, on="station", how="semi"
    )
    return found.sort("strip", "station", descending=[True, False]).to_dicts()


def lines(tables: Tables, week: Week, field: str) -> list[Line]:
    """Say the field's rain and season to date; while a crop stands its heat and water use."""
    weeks = [row for row in stations(tables, week, field) if row["rain_mm"] is not None]
    season = tables.season_on(field, week.sunday)
    out = [_rain(tables, week, weeks)] if weeks else []
    out += irrigation.of_week(tables, week, field)
    return out if season is None else [*out, *_heat(tables, week, season), *_crop_use(weeks)]


def _rain(tables: Tables, week: Week, weeks: list[Row]) -> Line:
    """Say the week's rain, and the season's to date; with the least covered station's coverage."""
    at_strip, at_station = "{rain_mm} at the {strip} strip", "{rain_mm} at {station}"
    rains = [say_row("weather_week", r, at_strip if r["strip"] else at_station) for r in weeks]
    words = say_row("weather_week", weeks[0], "Rain on {field}: {rains}", rains=joined(rains))
    normals = [row for row in weeks if row["normal_recorded_mm"] is not None]
    for row in normals[:1]:
        template = "; normal for the days recorded {normal_recorded_mm}."
        words += say_row("weather_week", row, template)
    if not normals:
        words += say("; no normal is known.")
    for row in [row for row in weeks if row["by_hand_d"]][:1]:
        words += say_row("weather_week", row, " Days whose rain was read by hand: {by_hand_d}.")
    last = _season_to_date(tables, week, [row["station"] for row in weeks])
    if last is not None:
        template = " Since seeding {season_to_date_mm} "
        template += "at the {strip} strip" if last["strip"] else "at {station}"
        if last["season_to_date_of_normal_pct"] is not None:
            template += ", {season_to_date_of_normal_pct} of normal"
        whole = (last["season_to_date_coverage"] or 0) >= 1
        template += "." if whole else " (recorded: {season_to_date_coverage} of the days)."
        if last["season_to_date_doubtful_d"]:
            template += " Days with rain that is hard to believe: {season_to_date_doubtful_d}."
        words += say_row("rain_day", last, template)
    worst = min(weeks, key=lambda row: row["coverage"] or 0.0)
    return line("weather_week", worst, "{words}", words=words)


def _season_to_date(tables: Tables, week: Week, names: list[str]) -> Row | None:
    """Return the week's last day with a season to date, of the first station that has one."""
    for station in names:
        days = tables("rain_day", station=station).filter(
            pl.col("day").is_between(week.monday, week.sunday)
            & pl.col("season_to_date_mm").is_not_null()
        )
        row = last_row(days)
        if row is not None:
            return row
    return None


def _heat(tables: Tables, week: Week, season: Row) -> list[Line]:
    days = tables("heat_day", field=season["field"], season=season["season"]).filter(
        pl.col("day").is_between(week.monday, week.sunday)
    )
    start = "The {crop} on {field} has had {gdd_clipped_sum_c_d} above {base_temp_c} since seeding"
    return heat(days, start)


def heat(days: pl.DataFrame, start: str) -> list[Line]:
    """Say the heat by the last of these days, with corn heat units if the crop is counted in them."""
    row = last_row(days.sort("day", "strip"))
    if row is None or row["gdd_clipped_sum_c_d"] is None:
        return []
    counted = row["crop"] in _CORN_AND_SOY
    end = ", and corn heat units of {corn_heat_units_sum}." if counted else "."
    return [line("heat_day", row, start + end)]


def _crop_use(weeks: list[Row]) -> list[Line]:
    """Say what the crop would have used, or why that is not known."""
    known = [row for row in weeks if row["crop_et_mm"] is not None]
    if not known:
        why = "Crop water demand on {field} is not known this week: {crop_et_reason}."
        told = [row for row in weeks if row["crop_et_reason"] is not None]
        return [Line(say_row("weather_week", row, why)) for row in told[:1]]
    template = (
        "Without lack of water the crop on {field} would have used {crop_et_mm} this week "
        "(days counted: {crop_et_days}"
    )
    row = max(known, key=lambda found: found["crop_et_days"])
    template += ")." if row["crop_et_reason"] is None else "; on the others: {crop_et_reason})."
    return [Line(say_row("weather_week", row, template))]


def whole_farm(tables: Tables, week: Week) -> Line | None:
    """Say the whole farm's rain in one sentence, for a quiet week."""
    every = [stations(tables, week, field["field"]) for field in tables.fields()]
    known = [[row for row in rows if row["rain_mm"] is not None] for rows in every]
    first = [rows[0] for rows in known if rows]
    if not first:
        return None
    rains = joined([say_row("weather_week", row, "{field} {rain_mm}") for row in first])
    worst = min(first, key=lambda row: row["coverage"])
    return line("weather_week", worst, "Rain or snow of the week: {rains}.", rains=rains)


def station_grid(tables: Tables, week: Week) -> list[Grid]:
    """Return the week at every station, or nothing if there is none."""
    every = [row for f in tables.fields() for row in stations(tables, week, f["field"])]
    body: list[tuple[Phrase, ...]] = [
        tuple(
            (cell("weather_week", row, name, signed=name == "departure_mm"),) for name in _COLUMNS
        )
        for row in every
    ]
    notes = [
        Line(say_row("weather_week", row, "{station}: {reason}."))
        for row in every
        if row["partial"] and row["reason"]
    ]
    return [grid(say("The week at each station"), _COLUMNS.values(), body, notes)] if every else []
