"""The single crop coefficient along a season, as polars expressions.

Source: Allen et al. 1998, FAO Irrigation and Drainage Paper 56, chapter 6, figure 34 and Eq 66:
level in the initial stage, rising in a straight line through the development stage, level in
mid-season, falling in a straight line to the end of the late stage, and staying there until
harvest. The stages may be counted in anything that grows with the season: days or degree days.
Mid and end values are taken as printed, without the correction for wind and humidity of Eqs 62
and 65, which wants the crop's height.
"""

import polars as pl


def coefficient(
    along: pl.Expr,
    lengths: tuple[pl.Expr, pl.Expr, pl.Expr, pl.Expr],
    ini: pl.Expr,
    mid: pl.Expr,
    end: pl.Expr,
) -> pl.Expr:
    """Crop coefficient at ``along``, which counts from seeding in the unit of the four ``lengths``."""
    first, second, third, fourth = lengths
    full, ripening = first + second, first + second + third
    rise = ((along - first) / second).clip(0.0, 1.0)
    fall = ((along - ripening) / fourth).clip(0.0, 1.0)
    return (
        pl.when(along <= first)
        .then(ini)
        .when(along < full)
        .then(ini + rise * (mid - ini))
        .when(along <= ripening)
        .then(mid)
        .when(along < ripening + fourth)
        .then(mid + fall * (end - mid))
        .when(along >= ripening + fourth)
        .then(end)
    )


def stage(along: pl.Expr, lengths: tuple[pl.Expr, pl.Expr, pl.Expr, pl.Expr]) -> pl.Expr:
    """Name of the stage at ``along``; past the last stage the crop stays in the late one."""
    first, second, third, _ = lengths
    return (
        pl.when(along <= first)
        .then(pl.lit("initial"))
        .when(along < first + second)
        .then(pl.lit("development"))
        .when(along <= first + second + third)
        .then(pl.lit("mid-season"))
        .when(along > first + second + third)
        .then(pl.lit("late"))
    )
