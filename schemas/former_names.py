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
    },
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
