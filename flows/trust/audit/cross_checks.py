"""Checks that compare tables with each other, as data: each a query for the rows that it looks at.

Such a query gives two columns: ``bad``, whether the row breaks the rule, and ``what``, the words
that name the row. ``{recent}`` stands for the first instant of the recent readings (older ones were
checked in their own nights) and ``{day}`` for the farm's day of a reading ``r``.
"""

from __future__ import annotations

from dataclasses import dataclass

from flows.derive import waiting_days
from flows.trust.audit.outcome import CountCheck, Severity
from schemas.catalogue import of
from schemas.table import Tier


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """One check: the table it is about, what is expected, what a miss means, the rows it looks at."""

    table: str
    words: str
    said: str
    rows: str
    severity: Severity = "failure"

    def count(self, recent: str) -> CountCheck:
        """Return the check as a count; ``recent`` is the first instant of the recent readings."""
        rows = self.rows.replace("{recent}", recent)
        rows = rows.replace("{day}", waiting_days.day_in_sql("r.time"))
        query = f"""
            WITH looked AS ({rows})
            SELECT count(*) AS looked, count(*) FILTER (bad) AS unmet,
                array_to_string(min(what, 5) FILTER (bad), '; ') AS examples
            FROM looked
        """
        return CountCheck(self.table, self.words, self.said, query, self.severity)


def checks() -> list[CrossCheck]:
    """Return all of them: those below, and those made from the declarations."""
    return [*CHECKS, *_made(), *_reasons()]


def _made() -> list[CrossCheck]:
    """Return the checks that every table could be made, and nothing of it had to be left out."""
    names = ", ".join(f"('{table.name}')" for table in of(Tier.DAILY, Tier.DERIVED))
    rows = f"""
        SELECT t.name AS what, EXISTS (
            FROM derive_problem p WHERE p.table_name = t.name AND (p.lost = 'table') = {{whole}}
        ) AS bad FROM (VALUES {names}) t (name)
    """
    return [
        CrossCheck(
            "derive_problem",
            "every table could be made",
            "A table could not be made and holds the rows of an earlier run, or none.",
            rows.replace("{whole}", "true"),
        ),
        CrossCheck(
            "derive_problem",
            "nothing made had to be left out",
            "Values or rows of a table were impossible and are left out; "
            "the table derive_problem lists each one.",
            rows.replace("{whole}", "false"),
            "warning",
        ),
    ]


def _reasons() -> list[CrossCheck]:
    return [
        CrossCheck(
            table.name,
            "what is partial says why",
            f"Rows of {table.name} are marked partial without a reason; "
            "nobody can tell what is missing.",
            f"""
            SELECT partial AND reason IS NULL AS bad,
                concat_ws(' ', {", ".join(table.key)}) AS what
            FROM {table.name} WHERE partial IS NOT NULL
            """,
        )
        for table in of(Tier.DERIVED)
        if {"partial", "reason"} <= set(table.names)
    ]


CHECKS: tuple[CrossCheck, ...] = (
    CrossCheck(
        "delivery",
        "rows in are landed, quarantined or duplicate",
        "A delivery's rows do not add up: readings may have been lost on the way in. "
        "Run: checkstrip rebuild FOLDER",
        """
        SELECT name AS what,
            rows_in <> rows_landed + rows_quarantined + rows_duplicate
                OR values_in <> values_landed + values_quarantined + values_duplicate AS bad
        FROM delivery WHERE rows_in IS NOT NULL
        """,
    ),
    CrossCheck(
        "quarantine",
        "belongs to a delivery",
        "Refused rows name a delivery that is not there; their origin is unknown.",
        """
        SELECT q.delivery AS what, d.delivery IS NULL AS bad
        FROM quarantine q LEFT JOIN delivery d USING (delivery)
        """,
    ),
    CrossCheck(
        "weather_reading",
        "is of a known station, in its spell",
        "Readings stand where farm.toml knows no station; no field's totals hold them.",
        """
        SELECT concat_ws(' ', r.station, r.time) AS what,
            NOT EXISTS (
                FROM station_spell s WHERE s.station = r.station
                AND r.day >= s.from_day AND coalesce(r.day <= s.to_day, true)
            ) AS bad
        FROM (SELECT station, time, {day} AS day FROM weather_reading r) r
        WHERE r.time >= {recent}
        """,
    ),
    CrossCheck(
        "soil_reading",
        "is of a known sensor, its probe in the soil",
        "Readings stand at a depth or a time where farm.toml knows no sensor; "
        "storage and uptake leave them out or are wrong by them.",
        """
        SELECT concat_ws(' ', r.probe, r.depth_cm, r.time) AS what,
            NOT (
                EXISTS (
                    FROM probe_spell s WHERE s.probe = r.probe
                    AND r.day >= s.from_day AND coalesce(r.day <= s.to_day, true)
                )
                AND EXISTS (
                    FROM sensor s WHERE s.probe = r.probe AND s.depth_cm = r.depth_cm
                    AND coalesce(r.day >= s.from_day, true)
                    AND coalesce(r.day <= s.to_day, true)
                )
            ) AS bad
        FROM (SELECT probe, depth_cm, time, {day} AS day FROM soil_reading r) r
        WHERE r.time >= {recent}
        """,
    ),
    CrossCheck(
        "weather_reading",
        "names a delivery",
        "Readings name a delivery that is not there; their origin is unknown.",
        """
        SELECT concat_ws(' ', r.station, r.time) AS what, d.delivery IS NULL AS bad
        FROM weather_reading r LEFT JOIN delivery d USING (delivery)
        WHERE r.delivery IS NOT NULL AND r.time >= {recent}
        """,
    ),
    CrossCheck(
        "soil_reading",
        "names a delivery",
        "Readings name a delivery that is not there; their origin is unknown.",
        """
        SELECT concat_ws(' ', r.probe, r.time) AS what, d.delivery IS NULL AS bad
        FROM soil_reading r LEFT JOIN delivery d USING (delivery)
        WHERE r.delivery IS NOT NULL AND r.time >= {recent}
        """,
    ),
    CrossCheck(
        "weather_day",
        "the day's extremes and rain are those of its readings",
        "Daily rows differ from the readings they were made from: every total after them is wrong. "
        "Run: checkstrip rebuild FOLDER",
        """
        SELECT concat_ws(' ', station, day) AS what,
            NOT (
                coalesce(abs(t.air_temp_max_c - w.air_temp_max_c) < 0.01, true)
                AND coalesce(abs(t.rain_mm - w.rain_mm) < 0.01 OR w.rain_suspect > 0, true)
                AND t.n = w.readings
            ) AS bad
        FROM (
            SELECT r.station, {day} AS day, count(*) AS n,
                CASE WHEN count(r.air_temp_c) = count(*)
                        AND count(r.air_temp_max_c) IN (0, count(*))
                    THEN max(coalesce(r.air_temp_max_c, r.air_temp_c)) END AS air_temp_max_c,
                CASE WHEN count(r.rain_mm) = count(*) AND count(r.rain_counter_mm) = 0
                    THEN sum(r.rain_mm) END AS rain_mm
            FROM weather_reading r WHERE r.time >= {recent} AND r.interval_s <= 3600
            GROUP BY ALL
        ) t JOIN weather_day w USING (station, day)
        WHERE day > (SELECT CAST({recent} AS DATE) + 1)
            AND NOT EXISTS (
                FROM touched_day x WHERE x.instrument = w.station AND x.day = w.day
            )
        """,
    ),
    CrossCheck(
        "soil_day",
        "the day's extremes are those of its readings",
        "Daily rows differ from the readings they were made from: "
        "storage and uptake after them are wrong. Run: checkstrip rebuild FOLDER",
        """
        SELECT concat_ws(' ', probe, depth_cm, day) AS what,
            coalesce(
                abs(t.low - s.vwc_min_pct) > 0.01 OR abs(t.high - s.vwc_max_pct) > 0.01, false
            ) OR t.n <> s.readings AS bad
        FROM (
            SELECT r.probe, r.depth_cm, {day} AS day, count(*) AS n,
                min(r.vwc_pct) AS low, max(r.vwc_pct) AS high
            FROM soil_reading r WHERE r.time >= {recent}
            GROUP BY ALL
        ) t JOIN soil_day s USING (probe, depth_cm, day)
        WHERE day > (SELECT CAST({recent} AS DATE) + 1)
            AND NOT EXISTS (
                FROM touched_day x WHERE x.instrument = s.probe AND x.day = s.day
            )
        """,
    ),
    CrossCheck(
        "soil_day",
        "the mean lies between lowest and highest",
        "Daily means lie outside of their own extremes; the daily summary is wrong.",
        """
        SELECT concat_ws(' ', probe, depth_cm, day) AS what,
            NOT vwc_mean_pct BETWEEN vwc_min_pct - 1e-6 AND vwc_max_pct + 1e-6 AS bad
        FROM soil_day WHERE vwc_mean_pct IS NOT NULL
        """,
    ),
    CrossCheck(
        "soil_water_day",
        "storage is within what the soil's pores hold",
        "A layer holds more water than 70 % of its volume: "
        "the sensor or its depth in farm.toml is wrong, and so is every storage with it.",
        """
        SELECT concat_ws(' ', probe, depth_cm, day) AS what,
            storage_mm > 7.0 * (layer_bottom_cm - layer_top_cm) AS bad
        FROM soil_water_day WHERE storage_mm IS NOT NULL
        """,
    ),
    CrossCheck(
        "rain_month",
        "a month's rain is the sum of its days",
        "Months of rain differ from the sum of their days; every comparison with normal is wrong.",
        """
        SELECT concat_ws(' ', m.station, m.year, m.month) AS what,
            abs(m.rain_mm - d.rain_mm) > 0.05 AS bad
        FROM rain_month m JOIN (
            SELECT station, year(day) AS year, month(day) AS month, sum(rain_mm) AS rain_mm
            FROM rain_day GROUP BY ALL
        ) d USING (station, year, month)
        WHERE m.rain_mm IS NOT NULL
        """,
    ),
    CrossCheck(
        "rain_month",
        "coverage is no more than the days that were recorded",
        "A month claims more data than its days have; what is partial may be shown as whole.",
        """
        SELECT concat_ws(' ', m.station, m.year, m.month) AS what,
            m.coverage * m.month_days > d.known + 0.01 AS bad
        FROM rain_month m JOIN (
            SELECT station, year(day) AS year, month(day) AS month,
                count(*) FILTER (rain_coverage > 0 OR bridged) AS known
            FROM rain_day GROUP BY ALL
        ) d USING (station, year, month)
        WHERE m.coverage IS NOT NULL
        """,
    ),
    CrossCheck(
        "response",
        "both strips were weighed",
        "A response stands without a yield of both strips; it compares nothing. "
        "Look at the field book's passes.",
        """
        SELECT concat_ws(' ', r.field, r.season, r.strip, r.against) AS what,
            (
                SELECT count(DISTINCT y.strip) FROM strip_yield y
                WHERE y.field = r.field AND y.season = r.season AND y.yield_kg_ha IS NOT NULL
                AND (y.strip, y.against) IN ((r.strip, r.against), (r.against, r.strip))
            ) < 2 AS bad
        FROM response r WHERE r.response_kg_ha IS NOT NULL
        """,
    ),
    CrossCheck(
        "response",
        "is treated minus check",
        "A response is not the difference of the two yields beside it, less the ground's; verdict and "
        "money go by it.",
        """
        SELECT concat_ws(' ', field, season, strip, against) AS what,
            abs(
                response_kg_ha + coalesce(ground_kg_ha, 0) - (treated_kg_ha - check_kg_ha)
            ) > 0.5 AS bad
        FROM response
        WHERE response_kg_ha IS NOT NULL AND treated_kg_ha IS NOT NULL AND check_kg_ha IS NOT NULL
        """,
    ),
    CrossCheck(
        "root_arrival",
        "no roots before emergence or faster than any crop's",
        "Roots are said to have come before they can have: fronts and leads of that season are wrong.",
        """
        SELECT concat_ws(' ', a.field, a.season, a.strip, a.depth_cm) AS what,
            coalesce(least(a.day, a.earliest_day) < a.possible_from, false)
                OR coalesce(a.day < coalesce(s.emerged, s.seeded), false) AS bad
        FROM root_arrival a LEFT JOIN season s USING (field, season) WHERE a.day IS NOT NULL
        """,
    ),
    CrossCheck(
        "root_arrival",
        "roots come to the upper depth first, or the row says that it is doubtful",
        "A deeper depth has an earlier arrival than the one above it by more than its interval.",
        """
        SELECT concat_ws(' ', field, season, strip, depth_cm) AS what,
            NOT partial AND coalesce(latest_day < max(earliest_day) OVER (
                PARTITION BY field, season, strip, against ORDER BY depth_cm
                ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
            ), false) AS bad
        FROM root_arrival WHERE day IS NOT NULL
        """,
        "warning",
    ),
    CrossCheck(
        "root_arrival",
        "roots come to no depth while a sensor above it is quiet",
        "A deep arrival stands below a depth that was watched and was still quiet at the time.",
        """
        SELECT concat_ws(' ', d.field, d.season, d.strip, d.depth_cm) AS what, EXISTS (
            FROM root_arrival u
            WHERE (u.field, u.season, u.strip, u.against) = (d.field, d.season, d.strip, d.against)
            AND u.depth_cm < d.depth_cm AND u.state = 'not seen'
            AND u.quiet_until_day > d.latest_day + 28
        ) AS bad
        FROM root_arrival d WHERE d.day IS NOT NULL
        """,
    ),
    CrossCheck(
        "drawdown_season",
        "shares of a strip are one together",
        "Shares of the season's uptake do not add up: they cannot be compared by depth.",
        """
        SELECT concat_ws(' ', field, season, strip) AS what,
            abs(sum(uptake_share) - 1) > 0.001 OR count(DISTINCT days) > 1 AS bad
        FROM drawdown_season WHERE uptake_share IS NOT NULL
        GROUP BY field, season, strip, against
        """,
    ),
    CrossCheck(
        "drawdown_season",
        "compared seasons have both strips",
        "A season's drawdown stands for one strip only; there is nothing to compare it with.",
        """
        SELECT concat_ws(' ', field, season) AS what, count(DISTINCT strip) < 2 AS bad
        FROM drawdown_season WHERE uptake_mm IS NOT NULL GROUP BY field, season
        """,
        "warning",
    ),
    CrossCheck(
        "weather_day",
        "stations on a trial were heard in the week before the latest delivery",
        "A station has gone quiet while others report: the table station_health says what to do.",
        """
        SELECT s.station AS what,
            coalesce(max(w.day), DATE '-infinity')
                < (SELECT CAST(max(last_reading) AS DATE) - 7 FROM delivery) AS bad
        FROM station_spell s LEFT JOIN weather_day w USING (station)
        WHERE (s.field IS NOT NULL OR s.serves) AND s.to_day IS NULL GROUP BY s.station
        """,
        "warning",
    ),
    CrossCheck(
        "soil_day",
        "probes in the soil were heard in the week before the latest delivery",
        "A probe has gone quiet while others report: the table station_health says what to do.",
        """
        SELECT s.probe AS what,
            coalesce(max(d.day), DATE '-infinity')
                < (SELECT CAST(max(last_reading) AS DATE) - 7 FROM delivery) AS bad
        FROM probe_spell s LEFT JOIN soil_day d USING (probe)
        WHERE s.to_day IS NULL GROUP BY s.probe
        """,
        "warning",
    ),
)
