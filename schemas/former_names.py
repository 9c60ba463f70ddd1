"""Names that columns and keys of farm.toml had in the version before.

For one version readers may still use them: each is a column of its table that DuckDB computes from
the one that took its place. Delete this module, and what imports it, with the version after 0.1.
"""

# The columns that took the place of the former ones, by table and former name.
FORMER: dict[str, dict[str, str]] = {
    "soil_water_day": {
        "full_point_pct": "drained_upper_limit_pct",
        "full_point_from": "drained_upper_limit_from",
        "dry_point_pct": "lower_limit_pct",
        "dry_point_from": "lower_limit_from",
        "range_share": "available_water_share",
    },
    "response": {
        "shared_se_kg_ha": "response_se_kg_ha",
        "shared_df": "response_df",
        "p_adjusted": "p",
        "leaning_block": "most_influential_block",
        "leaning_share": "most_influential_share",
        "without_leaning_kg_ha": "without_most_influential_kg_ha",
    },
    "response_pooled": {
        "wide_low_kg_ha": "verdict_low_kg_ha",
        "wide_high_kg_ha": "verdict_high_kg_ha",
        "wide_low_pct": "verdict_low_pct",
        "wide_high_pct": "verdict_high_pct",
        "wide_by": "verdict_counts",
        "wide_p": "verdict_p",
        "i2": "beyond_chance_share",
    },
    "response_driver": {"shrunken_slope_pct": "expected_slope_pct"},
    "field_outlook": {"place": "rank"},
    "sensor": {
        "full_point_pct": "drained_upper_limit_pct",
        "dry_point_pct": "lower_limit_pct",
    },
    "operation_fuel": {"range_share": "available_water_share"},
    "working_window": {
        "range_share": "available_water_share",
        "range_share_at_push": "available_water_share_at_push",
    },
}
