"""How the response fades with the years, and when a repeat is due."""

from dataclasses import replace

from schemas.shared_columns import PRACTICE_KEY, YEARS_SINCE, completeness, interval
from schemas.table import Table, Tier, chance, count, flag, number, text

TABLE = Table(
    "response_fade",
    Tier.DERIVED,
    (
        "one number of years since the operation: the response to expect then, and the yearly net "
        "of repeating the operation every so many years"
    ),
    (
        PRACTICE_KEY,
        replace(YEARS_SINCE, key=True),
        count("site_years", "site-years with a response at that many years", required=True),
        number("response_pct", "percent", "response in percent of the check, on the fitted line"),
        *interval("response", "percent", "the line's 95 % interval there"),
        number(
            "change_pct",
            "percent",
            "change of the response with each year, in percent of the check; the same in every row",
        ),
        *interval("change", "percent"),
        text("verdict", "whether the response fades", one_of=("fades", "grows", "cannot tell yet")),
        number(
            "season_net_per_ha",
            "currency/hectare",
            "a season's net to expect then, at the prices had, on the fitted line",
        ),
        number(
            "cost_per_ha", "currency/hectare", "cost of an operation: mean of those on record", 0
        ),
        number(
            "yearly_net_per_ha",
            "currency/hectare",
            "net by year when the operation is repeated after so many harvests",
        ),
        *interval("yearly_net", "currency/hectare"),
        number(
            "behind_best_per_ha",
            "currency/hectare",
            "yearly net less than that of the best interval: small over many rows where the best is flat",
            0,
        ),
        flag("best", "true for the repeat interval with the best yearly net"),
        chance("best_chance", "probability that this interval is the best of those listed"),
        flag("seen", "true where some field was followed for so many years", required=True),
        *completeness("site-years behind the money as a share of those with a response"),
    ),
)
