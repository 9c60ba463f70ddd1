"""What the responses go with."""

from schemas.shared_columns import PRACTICE_KEY, adjusted_p, completeness, interval, p_value
from schemas.table import Table, Tier, count, number, text

TABLE = Table(
    "response_driver",
    Tier.DERIVED,
    "one possible cause of the responses of a practice: whether they go with it, and what would tell",
    (
        PRACTICE_KEY,
        text(
            "cause",
            "the cause, a column of response_cause; crop is compared by groups, the others by rank",
            key=True,
        ),
        text("meaning", "the cause as text"),
        text(
            "unit_counted",
            "what counts as one observation: site-years that share a season's rain or an operation count once",
            required=True,
            one_of=("site-year", "season", "operation"),
        ),
        count("observations", "observations with cause and response", required=True),
        number("rank_correlation", "1", "Spearman's, response in percent with the cause", -1, 1),
        p_value("p", "chance of so strong a one, over all orders (exact up to 8)"),
        adjusted_p("causes looked at"),
        number("cause_mean", "1", "mean of the cause, in its own unit"),
        number("cause_sd", "1", "standard deviation of the cause, in its own unit", 0),
        number(
            "slope_pct",
            "percent",
            "change of the response, in percent of the check yield, with one standard deviation of the cause",
        ),
        *interval("slope", "percent", "its 95 % interval (Hartung-Knapp)"),
        number(
            "expected_slope_pct",
            "percent",
            (
                "the slope drawn toward none, as far as the slopes of all causes scatter no more "
                "than chance: what to expect of it"
            ),
        ),
        count(
            "observations_needed",
            "observations that would tell a correlation as strong as this from chance four times out of five",
        ),
        text(
            "verdict",
            "what can be said; a correlation is no proof of a cause",
            one_of=("more with more", "less with more", "differs", "cannot tell yet"),
        ),
        text("would_tell", "what data would tell, if it is not known yet"),
        *completeness("site-years with the cause known as a share of all"),
    ),
)
