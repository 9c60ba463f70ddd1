"""The fields for the coming fall."""

from schemas.table import Table, Tier, count, day, number, partial, reason, share, text

TABLE = Table(
    "field_outlook",
    Tier.DERIVED,
    "one field and the fall after its farm's latest season: what working it then should earn",
    (
        text("field", "name of the field", key=True),
        count("fall", "year of the fall", low=1900, high=2200, key=True),
        text("practice", "the practice on trial"),
        count("place", "place in the list, by expected net; 1 is the best", low=1),
        day("operation_day", "the last operation on the treated strip; null where there was none"),
        count("years_since", "harvests since that operation by that fall", low=0),
        count("site_years", "own site-years with money known", required=True),
        count(
            "horizon",
            "harvests counted: the repeat interval with the best yearly net, no longer than any field was followed",
            low=1,
        ),
        number("cost_per_ha", "currency/hectare", "cost of the work: mean of those on record", 0),
        number(
            "expected_gain_per_ha",
            "currency/hectare",
            "season nets over the horizon if worked, less those to expect if left alone: as likely more as less",
        ),
        number(
            "expected_net_per_ha",
            "currency/hectare",
            "expected gain less the cost: as likely more as less",
        ),
        number("net_low_per_ha", "currency/hectare", "lower end of the 95 % range of the net"),
        number("net_high_per_ha", "currency/hectare", "upper end of the 95 % range of the net"),
        share("net_chance", "probability that the net will be above zero"),
        number(
            "own_share",
            "1",
            "what the field earned against the farm's line, drawn toward 1 as far as fields differ no more than chance",
            0,
        ),
        text(
            "outlook",
            "likely from a probability of 0.8 on, unlikely up to 0.2",
            one_of=("likely to pay", "cannot tell yet", "unlikely to pay"),
        ),
        number("compacted_top_cm", "cm", "top of the compacted layer, latest profile", 0, 200),
        number("compacted_bottom_cm", "cm", "bottom of the compacted layer", 0, 200),
        number("cone_index_max_mpa", "MPa", "highest cone index of the compacted layer", 0, 20),
        number("working_depth_cm", "cm", "depth to work at, just below the layer", 0, 250),
        share(
            "dry_enough",
            "share of the days within 60 days after past harvests on which the soil at that depth was dry enough",
        ),
        count("window_days", "days behind that share", required=True),
        text("soil_state", "state of the soil at that depth on the last day known"),
        day("soil_state_day", "that day"),
        text("caution", "to be shown wherever this row is shown", required=True),
        share("coverage", "share known of: own money, cost, compacted layer, working window"),
        partial(),
        reason(),
    ),
)
