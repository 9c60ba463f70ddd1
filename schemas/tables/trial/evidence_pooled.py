"""Roots, water and efficiency over site-years."""

from schemas.shared_columns import (
    PRACTICE_KEY,
    adjusted_p,
    completeness,
    counted_by,
    interval,
    p_value,
    share_interval,
    together,
)
from schemas.table import Column, Table, Tier, count, number, share, text


def _gain(suffix: str, unit: str, measures: str) -> tuple[Column, ...]:
    """Declare the mean of the measures in one unit, its interval and the range of the next."""
    return (
        number(f"gain_{suffix}", unit, f"mean of treated minus check: {measures}; else null"),
        *interval("gain", unit, "its 95 % interval, the widest by site-years, fields or seasons"),
        *interval("next", unit, "the 95 % range for the next site-year"),
    )


TABLE = Table(
    "evidence_pooled",
    Tier.DERIVED,
    "one measure of roots or water over all site-years after an operation, treated minus check",
    (
        PRACTICE_KEY,
        text(
            "measure",
            "what is compared: treated minus check, so more is earlier roots or more water",
            key=True,
            one_of=(
                "root lead",
                "deep uptake",
                "water use efficiency",
                "winter recharge",
                "winter recharge share",
                "rain capture",
            ),
        ),
        text("layer", "depth of the sensors in cm, or 'all' for the whole profile", key=True),
        number("depth_cm", "cm", "depth of the sensors; null for the whole profile", 0, 1000),
        count("site_years", "site-years in which it is known", required=True),
        count("fields", "fields that they come from", required=True),
        *_gain("d", "day", "root lead"),
        *_gain("mm", "mm", "deep uptake (from below the working depth), winter recharge"),
        *_gain(
            "pct",
            "percent",
            (
                "water use efficiency (percent of the check's), winter recharge share and rain "
                "capture (points of percent of rain and snow)"
            ),
        ),
        counted_by("counted_by"),
        p_value("p", "chance of so large a mean where there is none, by that interval"),
        adjusted_p("measures and depths"),
        count("compared", "site-years in which it is known which strip had more", required=True),
        count("ahead", "of those, site-years in which the treated strip had more", required=True),
        share("ahead_share", "the same as a share"),
        *share_interval("ahead", "its 95 % interval (Wilson)"),
        count(
            "bounded",
            "site-years in which only one strip's roots are known to have come: left out of the mean",
            required=True,
        ),
        text("members", "the site-years in which it is known"),
        together("more", "less"),
        text("limits", "what they cannot tell, in plain words"),
        *completeness("site-years in which it is known as a share of those after an operation"),
    ),
)
