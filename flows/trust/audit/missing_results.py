"""Checks that no field loses a whole kind of result without anybody noticing."""

from flows.trust.audit.cross_checks import CrossCheck
from schemas.results import RESULTS

# So many rain events or days make a loss of all of them odd; common practice, no source.
_EVENTS, _DAYS = 10, 30


def checks() -> list[CrossCheck]:
    """Return one check for each kind of result, and those for what weather must not take away."""
    return [*_without_reason(), _all_winter(), _no_demand()]


def _without_reason() -> list[CrossCheck]:
    return [
        CrossCheck(
            result.table,
            f"a season without {result.name} says why",
            f"A season has no {result.name}, and no row says why.",
            f"""
            SELECT concat_ws(' ', field, season) AS what,
                count({result.column}) = 0 AND count(reason) = 0 AS bad
            FROM {result.table} GROUP BY field, season
            """,
        )
        for result in RESULTS
    ]


def _all_winter() -> CrossCheck:
    return CrossCheck(
        "rain_event",
        "not all rain of a field falls in winter",
        "All rain events of a field count as winter, so it has no capture: "
        "compare the snow depths in weather_day and the soil temperatures with the season.",
        f"""
        SELECT field AS what, bool_and(winter) AS bad
        FROM rain_event GROUP BY field HAVING count(DISTINCT began) >= {_EVENTS}
        """,
        "warning",
    )


def _no_demand() -> CrossCheck:
    return CrossCheck(
        "evapotranspiration_day",
        "a season with reference evapotranspiration has the crop's",
        "Crop evapotranspiration is missing on most days of a season although the reference is "
        "known: look at 'stage' and 'reason' of those days, the snow depth and the crop list.",
        f"""
        SELECT concat_ws(' ', field, season) AS what,
            count(crop_et_mm) < 0.5 * count(reference_et_mm) AS bad
        FROM evapotranspiration_day WHERE field IS NOT NULL AND season IS NOT NULL
        GROUP BY field, season HAVING count(DISTINCT day) >= {_DAYS}
        """,
        "warning",
    )
