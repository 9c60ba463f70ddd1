"""What the farms of a network say together."""

from schemas.shared_columns import (
    PRACTICE_KEY,
    adjusted_p,
    completeness,
    interval,
    p_value,
    together,
)
from schemas.table import Column, Table, Tier, count, number, text


def _gain(suffix: str, unit: str, measures: str) -> tuple[Column, ...]:
    """Declare the mean over farms of the measures in one unit, its interval, spread and range of the next."""
    return (
        number(f"gain_{suffix}", unit, f"mean over farms of treated minus check: {measures}"),
        *interval("gain", unit, "its 95 % interval"),
        number(f"spread_{suffix}", unit, "standard deviation between farms' true means", 0),
        *interval("spread", unit, "the 95 % interval of that", 0.0),
        *interval("next", unit, "the 95 % range for the mean of the next farm"),
    )


TABLE = Table(
    "network_pooled",
    Tier.NETWORK,
    (
        "one measure of one group of site-years over all farms that share it; a row of fewer than five "
        "farms, or from which such a row could be subtracted, is left out"
    ),
    (
        PRACTICE_KEY,
        text(
            "measure",
            "what is compared: treated minus check",
            key=True,
            one_of=(
                "response",
                "response change by year",
                "root lead",
                "deep uptake",
                "water use efficiency",
                "winter recharge",
                "winter recharge share",
                "rain capture",
                "season net",
            ),
        ),
        text("layer", "depth of the sensors in cm, or 'all'", key=True),
        text("currency", "currency of the money, which is never mixed; else 'none'", key=True),
        text(
            "grouping",
            "what the site-years were put together by",
            key=True,
            one_of=("all", "crop", "soil", "season rain", "years since"),
        ),
        text(
            "member",
            "the group: a crop, a texture, dry, normal or wet, a number of years",
            key=True,
        ),
        count("farms", "farms that count", required=True, low=5),
        count("fields", "fields of them", required=True),
        count("site_years", "site-years of those; of a change by year, the fields", required=True),
        count(
            "farms_without",
            "farms that have such site-years and share them, but none of them with a value",
            required=True,
        ),
        *_gain(
            "pct", "percent", "response (percent of the check's yield), its change by year, shares"
        ),
        *_gain("d", "day", "root lead"),
        *_gain("mm", "mm", "deep uptake, winter recharge"),
        *_gain("per_ha", "currency/hectare", "net of one season, before the cost of the work"),
        p_value("p", "chance of so large a mean where there is none, by that interval"),
        adjusted_p("measures and groups of the practice"),
        together("more", "less"),
        text("limits", "what they cannot tell, in plain words"),
        *completeness(
            "site-years with a value as a share of those after an operation that the farms share"
        ),
    ),
)
