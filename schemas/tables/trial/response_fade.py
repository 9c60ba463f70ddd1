"""How the response fades with the years, and when a repeat is due."""

from schemas.table import Table, Tier, count, flag, number, partial, reason, share, text

TABLE = Table(
    "response_fade",
    Tier.DERIVED,
    "one number of years since the operation: the response to expect then, and the yearly net of repeating the operation every so many years",
    (
        text("practice", "the practice on trial", key=True),
        count("years_since", "harvests since the operation, the first is 1", low=1, key=True),
        count("site_years", "site-years with a response at that many years", required=True),
        number("response_pct", "percent", "response in percent of the check, on the fitted line"),
        number("response_low_pct", "percent", "lower end of the line's 95 % interval there"),
        number("response_high_pct", "percent", "upper end of the line's 95 % interval there"),
        number(
            "change_pct",
            "percent",
            "change of the response with each year, in percent of the check; the same in every row",
        ),
        number("change_low_pct", "percent", "lower end of its 95 % interval"),
        number("change_high_pct", "percent", "upper end of its 95 % interval"),
        text(
            "verdict",
            "whether the response fades",
            one_of=("fades", "grows", "cannot tell yet"),
        ),
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
        number("yearly_net_low_per_ha", "currency/hectare", "lower end of its 95 % interval"),
        number("yearly_net_high_per_ha", "currency/hectare", "upper end of its 95 % interval"),
        number(
            "behind_best_per_ha",
            "currency/hectare",
            "yearly net less than that of the best interval: small over many rows where the best is flat",
            0,
        ),
        flag("best", "true for the repeat interval with the best yearly net"),
        share("best_chance", "probability that this interval is the best of those listed"),
        flag("seen", "true where some field was followed for so many years", required=True),
        share("coverage", "site-years behind the money as a share of those with a response"),
        partial(),
        reason(),
    ),
)
