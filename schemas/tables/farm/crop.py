"""The crop list: handbook values, overridden by farm.toml."""

from schemas.table import Table, Tier, count, number, share, text

TABLE = Table(
    "crop",
    Tier.SETUP,
    "one crop of the crop list",
    (
        text("crop", "name of the crop", key=True),
        number(
            "base_temp_c",
            "degC",
            "temperature below which no growing degree days gather",
            -5,
            25,
            required=True,
        ),
        number(
            "upper_temp_c",
            "degC",
            "temperature above which heat adds nothing more",
            10,
            50,
            required=True,
        ),
        number("kc_ini", "1", "crop coefficient, initial stage", 0, 1.5),
        number("kc_mid", "1", "crop coefficient, mid-season", 0, 1.5),
        number("kc_end", "1", "crop coefficient, at harvest", 0, 1.5),
        count("stage_initial_d", "length of the initial stage in days"),
        count("stage_development_d", "length of the development stage in days"),
        count("stage_mid_d", "length of the mid-season stage in days"),
        count("stage_late_d", "length of the late stage in days"),
        number(
            "stage_initial_c_d",
            "delta_degC*day",
            (
                "length of the initial stage in growing degree days; where all four are given, "
                "they count instead of the days"
            ),
            0,
            5000,
        ),
        number(
            "stage_development_c_d",
            "delta_degC*day",
            "length of the development stage in growing degree days",
            0,
            5000,
        ),
        number(
            "stage_mid_c_d",
            "delta_degC*day",
            "length of the mid-season stage in growing degree days",
            0,
            5000,
        ),
        number(
            "stage_late_c_d",
            "delta_degC*day",
            "length of the late stage in growing degree days",
            0,
            5000,
        ),
        number("root_depth_min_m", "m", "usual greatest rooting depth, lower end", 0, 5),
        number("root_depth_max_m", "m", "usual greatest rooting depth, upper end", 0, 5),
        share("depletion_share", "share of the available water that the crop takes without stress"),
        number("bushel_kg", "kg", "mass of one bushel", 5, 40),
        number(
            "market_moisture_pct",
            "percent",
            "moisture, wet basis, at which the crop is sold",
            0,
            40,
        ),
        text("price_unit", "unit in which the price is usually quoted"),
        text("source", "where the values come from"),
    ),
)
