"""What more data would do to the uncertainty."""

from schemas.shared_columns import PRACTICE_KEY, completeness
from schemas.table import Table, Tier, chance, count, flag, number, text

TABLE = Table(
    "more_evidence",
    Tier.DERIVED,
    "one choice of how to go on with the trial of a practice: what it would do to the uncertainty",
    (
        PRACTICE_KEY,
        text(
            "choice",
            "how to go on",
            key=True,
            one_of=(
                "as it stands",
                "one more season",
                "one more season and pair of passes",
                "one more season and field",
                "one season before the work in a new field",
                "a second probe in each strip",
            ),
        ),
        count("site_years", "site-years that there would be", required=True),
        number(
            "blocks", "1", "pairs of passes by site-year that the new ones would have, the mean", 0
        ),
        number("response_pct", "percent", "the pooled response as it stands"),
        flag("enough", "true where the pooled verdict shows a gain or a loss already"),
        number(
            "new_half_width_pct",
            "percent",
            (
                "half of the 95 % interval of the first response of a new field: with pairs of passes as "
                "now, with one more, or with one season harvested before the work"
            ),
            0,
        ),
        number(
            "half_width_pct", "percent", "half of the 95 % interval of the pooled response then", 0
        ),
        number(
            "findable_response_pct",
            "percent",
            "true mean response that would then be found four times out of five",
            0,
        ),
        # Not declared a chance: readers see it as a fraction, as they see p-values.
        number(
            "chance_to_show",
            "1",
            "chance that a true mean response as large as the pooled one would then be shown",
            0,
            1,
        ),
        chance(
            "wrong_chance",
            (
                "chance, as it stands, that the choice which looks better (repeat at the best "
                "interval, or never) is the worse one"
            ),
        ),
        number(
            "value_per_ha",
            "currency/hectare",
            "what the new data would be worth to that choice, by year and hectare it is made for, before their cost",
            0,
        ),
        *completeness("share known of: response, money"),
    ),
)
