"""The fields for the coming fall."""

from schemas.shared_columns import (
    CAUTION,
    COMPACTED_BOTTOM,
    CONE_INDEX_MAX,
    FIELD,
    PRACTICE,
    WORKING_DEPTH,
    completeness,
    interval,
)
from schemas.table import Compared, Table, Tier, chance, count, day, number, share, text

TABLE = Table(
    "field_outlook",
    Tier.DERIVED,
    "one field and the fall after its farm's latest season: what working it then should earn",
    (
        FIELD,
        count("fall", "year of the fall", low=1900, high=2200, key=True),
        PRACTICE,
        count("rank", "place in the list, by expected net; 1 is the best", low=1),
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
            "season nets over the horizon if worked, less those to expect if not worked: the mean",
        ),
        number(
            "expected_net_per_ha",
            "currency/hectare",
            "expected gain less the cost: the mean of what may come",
        ),
        *interval("net", "currency/hectare", "the 95 % range of the net"),
        chance("net_chance", "probability that the net will be above zero"),
        share(
            "own_share",
            "what the field earned against the farm's line, drawn toward 1 as far as fields differ no more than chance",
            low=0,
            high=None,
        ),
        text(
            "outlook",
            (
                "by that probability: pays from 0.95 on, probably pays from 0.8 on, probably not up to "
                "0.2, does not pay up to 0.05; a partial cost never says that it pays"
            ),
            one_of=("pays", "probably pays", "cannot tell yet", "probably not", "does not pay"),
        ),
        number("compacted_top_cm", "cm", "top of the compacted layer, latest profile", 0, 200),
        COMPACTED_BOTTOM,
        CONE_INDEX_MAX,
        WORKING_DEPTH,
        share(
            "dry_enough",
            (
                "share of the days within 60 days after past harvests on which the soil at that depth was "
                "friable, neither wetter nor drier (``working_window.state``)"
            ),
        ),
        count("window_days", "days behind that share", required=True),
        text("soil_state", "state of the soil at that depth on the last day known"),
        day("soil_state_day", "that day"),
        CAUTION,
        *completeness(
            "share known of: own money, farm money, whole cost, compacted layer, working window"
        ),
    ),
    compared=Compared.TOGETHER,
)
