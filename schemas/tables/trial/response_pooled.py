"""Responses over site-years."""

from schemas.table import Table, Tier, count, number, partial, reason, share, text

TABLE = Table(
    "response_pooled",
    Tier.DERIVED,
    "one group of site-years after an operation: what they say together",
    (
        text("practice", "the practice on trial", key=True),
        text(
            "grouping",
            "what the site-years were put together by",
            key=True,
            one_of=("all", "crop", "years since", "season rain", "field"),
        ),
        text(
            "member", "the group: a crop, a number of years, dry, normal or wet, a field", key=True
        ),
        count("site_years", "site-years of the group with a response", required=True),
        count("fields", "fields that they come from", required=True),
        number("response_kg_ha", "kg/ha", "mean response by random effects; null under three"),
        number("response_se_kg_ha", "kg/ha", "its standard error (Hartung-Knapp)", 0),
        number("response_low_kg_ha", "kg/ha", "lower end of its 95 % interval"),
        number("response_high_kg_ha", "kg/ha", "upper end of its 95 % interval"),
        number("p", "1", "chance of so large a mean where there is none", 0, 1),
        number(
            "wide_low_kg_ha",
            "kg/ha",
            "lower end of the widest of the intervals by site-years, by means of fields and by means of seasons (the latter two from three on), each with the larger of the Hartung-Knapp and the plain error",
        ),
        number("wide_high_kg_ha", "kg/ha", "upper end of that interval"),
        text(
            "wide_by",
            "what that interval counts as one observation",
            one_of=("site-year", "field", "season"),
        ),
        number("wide_p", "1", "chance of so large a mean where there is none, counted so", 0, 1),
        number(
            "p_adjusted",
            "1",
            "wide_p after allowing for the number of groups (Benjamini-Hochberg); the verdict goes by it",
            0,
            1,
        ),
        number(
            "next_low_kg_ha",
            "kg/ha",
            "lower end of the 95 % range for the next site-year's response",
        ),
        number(
            "next_high_kg_ha",
            "kg/ha",
            "upper end of the 95 % range for the next site-year's response",
        ),
        number("between_sd_kg_ha", "kg/ha", "spread of true responses between site-years (tau)", 0),
        share("i2", "share of the differences between site-years that chance does not explain"),
        number("q", "1", "Cochran's Q of those differences", 0),
        number("q_p", "1", "chance of so large a Q where all site-years respond alike", 0, 1),
        number("response_pct", "percent", "mean response in percent of the check, pooled alike"),
        number("response_low_pct", "percent", "lower end of its 95 % interval"),
        number("response_high_pct", "percent", "upper end of its 95 % interval"),
        number("next_low_pct", "percent", "lower end of the 95 % range for the next site-year"),
        number("next_high_pct", "percent", "upper end of the 95 % range for the next site-year"),
        count("gained", "site-years in which the treated strip yielded more", required=True),
        share("gained_share", "the same as a share"),
        share("gained_low", "lower end of its 95 % interval (Wilson)"),
        share("gained_high", "upper end of its 95 % interval (Wilson)"),
        count("priced", "site-years of which the money is known", required=True),
        count(
            "paid_alone",
            "of those, site-years whose own season was worth more than the whole operation",
            required=True,
        ),
        share("paid_alone_low", "lower end of the 95 % interval of that share (Wilson)"),
        share("paid_alone_high", "upper end of the 95 % interval of that share (Wilson)"),
        text("members", "the site-years, each with its response in percent of the check"),
        text(
            "verdict",
            "what they say together; 'not shown' is not 'no effect'",
            one_of=("gain", "loss", "not shown", "too few"),
        ),
        text("limits", "what they cannot tell, in plain words"),
        share("coverage", "site-years with a response as a share of those harvested"),
        partial(),
        reason(),
    ),
)
