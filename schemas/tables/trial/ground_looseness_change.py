"""Is the ground still loose: all fields and years together, and the change with each year."""

from schemas.shared_columns import PRACTICE_KEY, adjusted_p, completeness, interval, p_value
from schemas.table import Table, Tier, count, number, text

MEASURES = ("cone index", "infiltration", "fuel", "speed")

TABLE = Table(
    "ground_looseness_change",
    Tier.DERIVED,
    (
        "one of cone index, infiltration, fuel and speed over all fields: how it changes with each year since "
        "the work, and whether the ground still shows as loose in the last year seen"
    ),
    (
        PRACTICE_KEY,
        text("measure", "what was measured", key=True, one_of=MEASURES),
        text("loose_is", "what shows loose ground", one_of=("less", "more"), required=True),
        count("field_years", "fields and years since the work with both sides", required=True),
        count("fields", "fields among them", required=True),
        count("last_year", "the last year since the work that was seen", low=1),
        number(
            "last_year_pct",
            "percent",
            "treated against check (fuel, speed: ground never worked) in that year, on the fitted line",
        ),
        *interval("last_year", "percent", "its 95 % interval"),
        number(
            "change_pct",
            "percent",
            "change of treated against check with each year, in percent of their ratio",
        ),
        *interval("change", "percent"),
        p_value("p", "chance of so large a value in the last year where there is none"),
        adjusted_p("the four"),
        text(
            "verdict",
            "what they say together of the last year seen; 'not shown' is not 'no effect'",
            one_of=("still loose", "harder", "not shown", "too few"),
        ),
        text(
            "change_verdict",
            "whether the ground settles back, by the interval of the change",
            one_of=("settling", "loosening", "cannot tell yet"),
        ),
        text("limits", "what these measurements cannot tell, in plain words"),
        *completeness("field-years with both sides as a share of those measured at all"),
    ),
)
