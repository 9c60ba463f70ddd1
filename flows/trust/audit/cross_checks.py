"""Checks that hold tables against each other: each a query of one row, looked, unmet, examples.

``{recent}`` stands for the first instant of the recent readings; older ones were looked at in
their own nights. A check is a failure or a warning by declaration.
"""

from __future__ import annotations

from dataclasses import dataclass

from flows.trust.audit.outcome import Severity
from schemas.catalogue import of
from schemas.table import Tier

# A reading closes its interval, so one at the turn of the day belongs to the day before.
_DAY = (
    "CAST(timezone('UTC', r.time - INTERVAL 1 microsecond) + (f.standard_offset_h - f.day_starts_h)"
    " * INTERVAL 1 hour AS DATE)"
)
_COUNT = "SELECT count(*) AS looked, count(*) FILTER (bad) AS unmet, array_to_string(min(what, 5) FILTER (bad), '; ') AS examples FROM looked"


@dataclass(frozen=True, slots=True)
class Across:
    """One check: the table it speaks of, what is expected, what a miss means, the query."""

    table: str
    words: str
    said: str
    query: str
    severity: Severity = "failure"


def _over(rows: str) -> str:
    return f"WITH looked AS ({rows}) {_COUNT}"


def checks() -> list[Across]:
    """All of them."""
    return [*CHECKS, *_reasons()]


def _reasons() -> list[Across]:
    """Every derived row that is partial says why."""
    return [
        Across(
            table.name,
            "what is partial says why",
            f"Rows of {table.name} are marked partial without a reason; nobody can tell what is missing.",
            _over(
                f"SELECT partial AND reason IS NULL AS bad, concat_ws(' ', {', '.join(table.key)}) AS what FROM {table.name} WHERE partial IS NOT NULL"
            ),
        )
        for table in of(Tier.DERIVED)
        if {"partial", "reason"} <= set(table.names)
    ]


CHECKS: tuple[Across, ...] = (
    Across(
        "delivery",
        "rows in are landed, quarantined or duplicate",
        "A delivery's rows do not add up: readings may have been lost on the way in. Run: checkstrip rebuild FOLDER",
        _over(
            "SELECT rows_in <> rows_landed + rows_quarantined + rows_duplicate OR values_in <> values_landed + values_quarantined + values_duplicate AS bad, name AS what FROM delivery WHERE rows_in IS NOT NULL"
        ),
    ),
    Across(
        "quarantine",
        "belongs to a delivery",
        "Refused rows name a delivery that is not there; where they came from cannot be told.",
        _over(
            "SELECT d.delivery IS NULL AS bad, q.delivery AS what FROM quarantine q LEFT JOIN delivery d USING (delivery)"
        ),
    ),
    Across(
        "weather_reading",
        "is of a known station, in its spell",
        "Readings stand where farm.toml knows no station; no field's totals hold them.",
        _over(
            f"SELECT NOT EXISTS (FROM station_spell s WHERE s.station = r.station AND {_DAY} BETWEEN s.from_day AND coalesce(s.to_day, DATE '9999-12-31')) AS bad, concat_ws(' ', r.station, r.time) AS what FROM weather_reading r, farm f WHERE r.time >= {{recent}}"
        ),
    ),
    Across(
        "soil_reading",
        "is of a known sensor, its probe in the soil",
        "Readings stand at a depth or a time where farm.toml knows no sensor; storage and uptake leave them out or are wrong by them.",
        _over(
            f"SELECT NOT (EXISTS (FROM probe_spell s WHERE s.probe = r.probe AND {_DAY} BETWEEN s.from_day AND coalesce(s.to_day, DATE '9999-12-31')) AND EXISTS (FROM sensor s WHERE s.probe = r.probe AND s.depth_cm = r.depth_cm AND {_DAY} BETWEEN coalesce(s.from_day, DATE '0001-01-01') AND coalesce(s.to_day, DATE '9999-12-31'))) AS bad, concat_ws(' ', r.probe, r.depth_cm, r.time) AS what FROM soil_reading r, farm f WHERE r.time >= {{recent}}"
        ),
    ),
    Across(
        "weather_reading",
        "names a delivery",
        "Readings name a delivery that is not there; where they came from cannot be told.",
        _over(
            "SELECT d.delivery IS NULL AS bad, concat_ws(' ', r.station, r.time) AS what FROM weather_reading r LEFT JOIN delivery d USING (delivery) WHERE r.delivery IS NOT NULL AND r.time >= {recent}"
        ),
    ),
    Across(
        "soil_reading",
        "names a delivery",
        "Readings name a delivery that is not there; where they came from cannot be told.",
        _over(
            "SELECT d.delivery IS NULL AS bad, concat_ws(' ', r.probe, r.time) AS what FROM soil_reading r LEFT JOIN delivery d USING (delivery) WHERE r.delivery IS NOT NULL AND r.time >= {recent}"
        ),
    ),
    Across(
        "weather_day",
        "the day's extremes and rain are those of its readings",
        "Daily rows differ from the readings they were made from: every total after them is wrong. Run: checkstrip rebuild FOLDER",
        _over(
            f"""SELECT what, NOT (coalesce(abs(t.air_temp_max_c - w.air_temp_max_c) < 0.01, true) AND coalesce(abs(t.rain_mm - w.rain_mm) < 0.01 OR w.rain_suspect > 0, true) AND t.n = w.readings) AS bad
            FROM (SELECT r.station, {_DAY} AS day, any_value(concat_ws(' ', r.station, {_DAY})) AS what, count(*) AS n,
                CASE WHEN count(r.air_temp_c) = count(*) AND count(r.air_temp_max_c) IN (0, count(*)) THEN max(coalesce(r.air_temp_max_c, r.air_temp_c)) END AS air_temp_max_c,
                CASE WHEN count(r.rain_mm) = count(*) AND count(r.rain_counter_mm) = 0 THEN sum(r.rain_mm) END AS rain_mm
                FROM weather_reading r, farm f WHERE r.time >= {{recent}} AND r.interval_s <= 3600 GROUP BY 1, 2) t
            JOIN weather_day w USING (station, day)
            WHERE day > (SELECT CAST({{recent}} AS DATE) + 1) AND NOT EXISTS (FROM touched_day x WHERE x.instrument = w.station AND x.day = w.day)"""
        ),
    ),
    Across(
        "soil_day",
        "the day's extremes are those of its readings",
        "Daily rows differ from the readings they were made from: storage and uptake after them are wrong. Run: checkstrip rebuild FOLDER",
        _over(
            f"""SELECT what, coalesce(abs(t.low - s.vwc_min_pct) > 0.01 OR abs(t.high - s.vwc_max_pct) > 0.01, false) OR t.n <> s.readings AS bad
            FROM (SELECT r.probe, r.depth_cm, {_DAY} AS day, any_value(concat_ws(' ', r.probe, r.depth_cm, {_DAY})) AS what, count(*) AS n, min(r.vwc_pct) AS low, max(r.vwc_pct) AS high
                FROM soil_reading r, farm f WHERE r.time >= {{recent}} GROUP BY 1, 2, 3) t
            JOIN soil_day s USING (probe, depth_cm, day)
            WHERE day > (SELECT CAST({{recent}} AS DATE) + 1) AND NOT EXISTS (FROM touched_day x WHERE x.instrument = s.probe AND x.day = s.day)"""
        ),
    ),
    Across(
        "soil_day",
        "the mean lies between lowest and highest",
        "Daily means lie outside of their own extremes; the reduction to days is at fault.",
        _over(
            "SELECT NOT vwc_mean_pct BETWEEN vwc_min_pct - 1e-6 AND vwc_max_pct + 1e-6 AS bad, concat_ws(' ', probe, depth_cm, day) AS what FROM soil_day WHERE vwc_mean_pct IS NOT NULL"
        ),
    ),
    Across(
        "soil_water_day",
        "storage is within what the soil's pores hold",
        "More water stands in a layer than 70 % of its volume: the sensor or its depth in farm.toml is wrong, and so is every storage with it.",
        _over(
            "SELECT storage_mm > 7.0 * (layer_bottom_cm - layer_top_cm) AS bad, concat_ws(' ', probe, depth_cm, day) AS what FROM soil_water_day WHERE storage_mm IS NOT NULL"
        ),
    ),
    Across(
        "rain_month",
        "a month's rain is the sum of its days",
        "Months of rain differ from the sum of their days; every comparison with normal is wrong.",
        _over(
            "SELECT abs(m.rain_mm - d.rain_mm) > 0.05 AS bad, concat_ws(' ', m.station, m.year, m.month) AS what FROM rain_month m JOIN (SELECT station, year(day) AS year, month(day) AS month, sum(rain_mm) AS rain_mm FROM rain_day GROUP BY ALL) d USING (station, year, month) WHERE m.rain_mm IS NOT NULL"
        ),
    ),
    Across(
        "rain_month",
        "coverage is no more than the days that were recorded",
        "A month claims more data than its days have; what is partial may be shown as whole.",
        _over(
            "SELECT m.coverage * m.month_days > d.known + 0.01 AS bad, concat_ws(' ', m.station, m.year, m.month) AS what FROM rain_month m JOIN (SELECT station, year(day) AS year, month(day) AS month, count(*) FILTER (rain_coverage > 0 OR bridged) AS known FROM rain_day GROUP BY ALL) d USING (station, year, month) WHERE m.coverage IS NOT NULL"
        ),
    ),
    Across(
        "response",
        "both strips were weighed",
        "A response stands without a yield of both strips; it compares nothing. Look at the field book's passes.",
        _over(
            "SELECT (SELECT count(DISTINCT y.strip) FROM strip_yield y WHERE y.field = r.field AND y.season = r.season AND y.yield_kg_ha IS NOT NULL) < 2 AS bad, concat_ws(' ', r.field, r.season) AS what FROM response r WHERE r.response_kg_ha IS NOT NULL"
        ),
    ),
    Across(
        "response",
        "is treated minus check",
        "A response is not the difference of the two yields beside it; verdict and money go by it.",
        _over(
            "SELECT abs(response_kg_ha - (treated_kg_ha - check_kg_ha)) > 0.5 AS bad, concat_ws(' ', field, season) AS what FROM response WHERE response_kg_ha IS NOT NULL AND treated_kg_ha IS NOT NULL AND check_kg_ha IS NOT NULL"
        ),
    ),
    Across(
        "drawdown_season",
        "compared seasons have both strips",
        "A season's drawdown stands for one strip only; there is nothing to compare it with.",
        _over(
            "SELECT count(DISTINCT strip) < 2 AS bad, concat_ws(' ', field, season) AS what FROM drawdown_season WHERE uptake_mm IS NOT NULL GROUP BY field, season"
        ),
        "warning",
    ),
    Across(
        "weather_day",
        "stations on a trial were heard in the week before the latest delivery",
        "A station has gone quiet while others report: the table station_health says what to do.",
        _over(
            "SELECT coalesce(max(w.day), DATE '0001-01-01') < (SELECT CAST(max(last_reading) AS DATE) - 7 FROM delivery) AS bad, s.station AS what FROM station_spell s LEFT JOIN weather_day w USING (station) WHERE s.field IS NOT NULL AND s.to_day IS NULL GROUP BY s.station"
        ),
        "warning",
    ),
    Across(
        "soil_day",
        "probes in the soil were heard in the week before the latest delivery",
        "A probe has gone quiet while others report: the table station_health says what to do.",
        _over(
            "SELECT coalesce(max(d.day), DATE '0001-01-01') < (SELECT CAST(max(last_reading) AS DATE) - 7 FROM delivery) AS bad, s.probe AS what FROM probe_spell s LEFT JOIN soil_day d USING (probe) WHERE s.to_day IS NULL GROUP BY s.probe"
        ),
        "warning",
    ),
)
