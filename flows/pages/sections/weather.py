"""The week's weather: rain and season to date against normal, heat, crop water use."""

import polars as pl

from flows.pages.cells import (
    Grid,
    Line,
    Phrase,
    Row,
    cell,
    grid,
    joined,
    line,
    row_cells,
    say,
    say_row,
)
from flows.pages.published_tables import Tables, last_row, own_field
from flows.pages.sections import irrigation
from flows.pages.week import Week

_CORN_AND_SOY = ("corn", "maize", "soybean")
_COLUMNS = {
    "station": "Station",
    "rain_mm": "Rain",
    "departure_mm": "Against normal",
    "air_temp_min_c": "Lowest",
    "air_temp_max_c": "Highest",
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


def lines(tables: Tables, week: Week, fields: list[str]) -> list[Line]:
    """Say what the tables of the week's weather do not: irrigation, gauges read by hand, doubts."""
    rows = [row for f in fields for row in stations(tables, week, f) if row["rain_mm"] is not None]
    out = [one for field in fields for one in irrigation.of_week(tables, week, field)]
    if rows and all(row["normal_recorded_mm"] is None for row in rows):
        out.append(Line(("No normal rain is known for this week.",)))
    for row in rows:
        if row["by_hand_d"]:
            by_hand = "Rain at {station} was read by hand (days: {by_hand_d})."
            out.append(Line(say_row("weather_week", row, by_hand)))
        last = season_to_date(tables, week, [row["station"]])
        if last is not None and last["season_to_date_doubtful_d"]:
            doubt = (
                "Rain since seeding at {station} includes rain that is hard to believe (days: "
                "{season_to_date_doubtful_d})."
            )
            out.append(Line(say_row("rain_day", last, doubt)))
    return out


def season_to_date(tables: Tables, week: Week, names: list[str]) -> Row | None:
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


def heat(days: pl.DataFrame, start: str) -> list[Line]:
    """Say the heat by the last of these days, with corn heat units if the crop is counted in them."""
    row = last_row(days.sort("day", "strip"))
    if row is None or row["gdd_clipped_sum_c_d"] is None:
        return []
    counted = row["crop"] in _CORN_AND_SOY
    end = ", and corn heat units of {corn_heat_units_sum}." if counted else "."
    return [line("heat_day", row, start + end)]


def crop_grid(tables: Tables, week: Week, seasons: list[Row]) -> list[Grid]:
    """Return each crop's heat since seeding and its water demand of the week, or nothing."""
    rows, notes = [], []
    for season in seasons:
        heat_cell, heat_note = _heat_cell(tables, week, season)
        demand, why = _demand(tables, week, season)
        notes += [*heat_note, *why]
        if heat_cell or demand:
            none: Phrase = ("not known",)
            place = row_cells("season", season, "field", "crop")
            rows.append((*place, heat_cell or none, demand or none))
    heads = ("Field", "Crop", "Growing degree days since seeding", "Crop water demand this week")
    return [grid(say("The crops"), heads, rows, notes)] if rows else []


def _heat_cell(tables: Tables, week: Week, season: Row) -> tuple[Phrase, list[Line]]:
    """Return the heat since seeding as of the week's last day, and why it is partial."""
    days = tables("heat_day", field=season["field"], season=season["season"]).filter(
        pl.col("day").is_between(week.monday, week.sunday)
    )
    row = last_row(days.sort("day", "strip"))
    if row is None or row["gdd_clipped_sum_c_d"] is None:
        return (), []
    template = "{gdd_clipped_sum_c_d} (base {base_temp_c})"
    if row["crop"] in _CORN_AND_SOY:
        template += ", corn heat units {corn_heat_units_sum}"
    partial = row["partial"] and row["reason"]
    notes = [Line(say_row("heat_day", row, "{field}: {reason}."))] if partial else []
    return say_row("heat_day", row, template), notes


def _demand(tables: Tables, week: Week, season: Row) -> tuple[Phrase, list[Line]]:
    """Return the water that the crop would use without lack of it, and why days are missing."""
    rows = stations(tables, week, season["field"])
    told = [row for row in rows if row["crop_et_reason"] is not None]
    known = [row for row in rows if row["crop_et_mm"] is not None]
    if not known:
        why = "Crop water demand on {field}: {crop_et_reason}."
        return (), [Line(say_row("weather_week", row, why)) for row in told[:1]]
    row = max(known, key=lambda found: found["crop_et_days"])
    if row["crop_et_reason"] is None:
        return say_row("weather_week", row, "{crop_et_mm}"), []
    why = "Crop water demand on {field} (days counted: {crop_et_days}): {crop_et_reason}."
    return say_row("weather_week", row, "{crop_et_mm}"), [Line(say_row("weather_week", row, why))]


def whole_farm(tables: Tables, week: Week) -> Line | None:
    """Say the whole farm's rain in one sentence, for a quiet week."""
    every = [stations(tables, week, field["field"]) for field in tables.fields()]
    known = [[row for row in rows if row["rain_mm"] is not None] for rows in every]
    first = {own_field(rows[0]): rows[0] for rows in reversed(known) if rows}
    if not first:
        return None
    rains = joined(
        [
            say_row("weather_week", row | {"field": field}, "{field} {rain_mm}")
            for field, row in sorted(first.items())
        ]
    )
    return Line(say("Rain or snow of the week: {rains}.", rains=rains))


def station_grid(tables: Tables, week: Week) -> list[Grid]:
    """Return the week at every station, or nothing if there is none."""
    found = (row for f in tables.fields() for row in stations(tables, week, f["field"]))
    every = list({row["station"]: row | {"field": own_field(row)} for row in found}.values())
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
