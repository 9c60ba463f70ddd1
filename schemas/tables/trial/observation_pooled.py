"""Observations over site-years."""

from schemas.shared_columns import (
    OBSERVED,
    OBSERVED_DEPTH,
    OBSERVED_LAYER,
    PRACTICE_KEY,
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
    "observation_pooled",
    Tier.DERIVED,
    "one observed quantity at one depth over all fields and years after an operation, treated minus check",
    (
        PRACTICE_KEY,
        OBSERVED,
        OBSERVED_LAYER,
        text("unit", "the unit of the values", key=True),
        OBSERVED_DEPTH,
        count("site_years", "fields and years with both strips observed", required=True),
        count("fields", "fields among them", required=True),
        number("difference", "1", "mean of treated minus check, in that unit; null under three"),
        *interval(
            "difference", "1", "its 95 % interval, the widest by site-years, fields or years"
        ),
        *interval("next", "1", "the 95 % range for the next site-year"),
        counted_by("counted_by"),
        p_value("p", "chance of so large a mean where there is none, by that interval"),
        adjusted_p("quantities and depths"),
        count("ahead", "site-years in which the treated strip had more", required=True),
        share("ahead_share", "the same as a share"),
        *share_interval("ahead", "its 95 % interval (Wilson)"),
        text("members", "the site-years"),
        together("more", "less"),
        text("limits", "what the observations cannot tell, in plain words"),
        *completeness("site-years with both strips observed as a share of those observed at all"),
    ),
)
