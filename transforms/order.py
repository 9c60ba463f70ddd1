"""The order of derivation: one line a table.

Each name is a declaration in ``schemas/tables``, a module in ``transforms`` with a function
``derive`` and a test module. The parameters of ``derive`` are the names of the tables that it is
made from, so the flow on the floor above hands it what it asks for and nothing else.
"""

# Reduced from readings, for the station-days that were touched.
DAILY: tuple[str, ...] = (
    "weather_day",
    "rain_spell",
    "sun_day",
    "soil_day",
    "soil_pulse_day",
    "water_meter_day",
)

# Computed from daily and set-up rows in this order; each if a row that it is made from changed.
DERIVED: tuple[str, ...] = (
    "comparison",
    "normal_month",
    "normal_day",
    "weather_used_day",
    "rain_day",
    "rain_month",
    "heat_day",
    "evapotranspiration_day",
    "irrigation_day",
    "evaporation_day",
    "weather_week",
    "yield_point_cleaned",
    "mapped_pass",
    "response_along",
    "response_by_ground",
    "strip_ground",
    "pass_doubt",
    "strip_yield",
    "soil_quality_day",
    "station_health",
    "soil_step",
    "soil_offset",
    "soil_month",
    "soil_wetting",
    "soil_limit",
    "soil_water_day",
    "rain_event",
    "rain_event_layer",
    "capture_season",
    "water_use_season",
    "working_window",
    "evaporation_bare",
    "evaporation_seen",
    "drawdown_day",
    "drawdown_week",
    "root_arrival",
    "root_front_day",
    "root_lead",
    "drawdown_season",
    "profile_water_day",
    "stress_day",
    "measuring_day",
    "recharge_winter",
    "between_crops_day",
    "season_ahead",
    "response",
    "operation_cost",
    "operation_budget",
    "operation_fuel",
    "operation_depth",
    "payback",
    "payback_sensitivity",
    "observation_pair",
    "vegetation_pair",
    "vegetation_response",
    "response_cause",
    "response_pooled",
    "response_driver",
    "evidence_pooled",
    "observation_pooled",
    "ground_looseness",
    "ground_looseness_change",
    "response_fade",
    "field_outlook",
    "planned_value",
    "more_evidence",
)

# Made of the tables that the farms of a network share (``flows/network/pooled.py``).
NETWORK: tuple[str, ...] = ("network_pooled",)
