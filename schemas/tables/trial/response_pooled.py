"""Responses over site-years."""

from schemas.shared_columns import (
    PRACTICE_KEY,
    RESPONSE_INTERVAL,
    RESPONSE_INTERVAL_PCT,
    adjusted_p,
    completeness,
    counted_by,
    interval,
    p_value,
    share_interval,
    together,
)
from schemas.table import Table, Tier, count, number, share, text

TABLE = Table(
    "response_pooled",
    Tier.DERIVED,
    "one group of site-years after an operation: what they say together",
    (
        PRACTICE_KEY,
        text(
            "grouping",
            "what the site-years were put together by",
            key=True,
            one_of=("all", "crop", "years since", "season rain", "field"),
        ),
        text(
            "member",
            "the group: a crop, a number of years, dry, normal or wet, a field by ``comparison.name``",
            key=True,
        ),
        count("site_years", "site-years of the group with a response", required=True),
        count("fields", "fields that they come from", required=True),
        number("response_kg_ha", "kg/ha", "mean response by random effects; null under three"),
        number("response_se_kg_ha", "kg/ha", "its standard error (Hartung-Knapp)", 0),
        *RESPONSE_INTERVAL,
        p_value("p", "chance of so large a mean where there is none"),
        number(
            "verdict_low_kg_ha",
            "kg/ha",
            (
                "lower end of the interval that the verdict goes by: it counts what verdict_counts "
                "names, with the larger of the "
                "Hartung-Knapp and the plain error and the ground that a field's seasons share"
            ),
        ),
        number("verdict_high_kg_ha", "kg/ha", "upper end of the interval that the verdict goes by"),
        *interval(
            "verdict",
            "percent",
            (
                "the same in percent of the check, which the verdict goes by: the widest of those by "
                "site-years, by means of fields and by means of seasons (the latter two from three on)"
            ),
        ),
        counted_by("verdict_counts", "both of these intervals count"),
        p_value("verdict_p", "chance of so large a mean where there is none, counted so"),
        adjusted_p("groups", "verdict_p"),
        *interval("next", "kg/ha", "the 95 % range for the next site-year's response"),
        number("between_sd_kg_ha", "kg/ha", "spread of true responses between site-years (tau)", 0),
        share(
            "beyond_chance_share",
            "share of the differences between site-years that chance does not explain",
        ),
        number("q", "1", "Cochran's Q of those differences", 0),
        p_value("q_p", "chance of so large a Q where all site-years respond alike"),
        number("response_pct", "percent", "mean response in percent of the check, pooled alike"),
        *RESPONSE_INTERVAL_PCT,
        *interval("next", "percent", "the 95 % range for the next site-year"),
        count("gained", "site-years in which the treated strip yielded more", required=True),
        share("gained_share", "the same as a share"),
        *share_interval("gained", "its 95 % interval (Wilson)"),
        count(
            "priced",
            "site-years of which the money is known, with a cost known in all its parts",
            required=True,
        ),
        count(
            "paid_alone",
            "of those, site-years whose own season was worth more than the whole operation",
            required=True,
        ),
        *share_interval("paid_alone", "the 95 % interval of that share (Wilson)"),
        text("members", "the site-years, each with its response in percent of the check"),
        together("gain", "loss"),
        text("limits", "what they cannot tell, in plain words"),
        *completeness("site-years with a response as a share of those harvested"),
    ),
)
