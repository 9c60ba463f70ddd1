"""Between which water contents a soil is friable, from its texture, as shares of its available water.

A soil is best worked at the inflection point of its retention curve (water content against the
logarithm of suction), about 0.9 of its lower plastic limit; from 0.4 of the way to saturation on it is
plastic: it smears and packs (Dexter and Bird 2001, Soil and Tillage Research 57:203, doi
10.1016/S0167-1987(00)00154-9). Drier than at twice the strength of that point it breaks into clods and
pulls hard (Dexter and others 2005, SIDASS project part 3, Soil and Tillage Research 82:29). The
equations are cited from memory. Retention curves by texture: Carsel and Parrish 1988, Water Resources
Research 24:755, doi 10.1029/WR024i005p00755 (values from memory).

Probes are seldom calibrated, so the limits are given as shares of the available water of that same
curve (between 330 and 15,000 cm of suction), to be compared with the probe's own share between its
lower and its drained upper limit. Only for clay and silty clay: by these curves coarser soils are
friable at any water content that they hold after draining. For them, and where the texture is not
given, ``USUAL`` stands: common practice, no source.
"""

from dataclasses import dataclass

import polars as pl

DRAINED_CM, DRY_CM = 330.0, 15000.0  # suction of drained upper limit and lower limit
SOURCE = "Dexter and Bird 2001, Dexter and others 2005, texture after Carsel and Parrish 1988"
USUAL = (0.1, 0.8)
USUAL_SOURCE = "common practice, no source"
LIMITS = ("friable_from_share", "friable_to_share", "limits_from")


@dataclass(frozen=True, slots=True)
class Retention:
    """A van Genuchten curve: water contents as shares of the volume, suction in cm."""

    residual: float
    saturated: float
    alpha_per_cm: float
    n: float

    @property
    def _m(self) -> float:
        return 1 - 1 / self.n

    def water(self, suction_cm: float) -> float:
        """Water content at a suction."""
        inside = (self.alpha_per_cm * suction_cm) ** self.n
        return self.residual + (self.saturated - self.residual) * float((1 + inside) ** -self._m)

    @property
    def best(self) -> float:
        """Water content at the inflection point: best to work."""
        at: float = (1 + 1 / self._m) ** -self._m
        return self.residual + (self.saturated - self.residual) * at

    @property
    def wet(self) -> float:
        """Water content above which the soil is plastic."""
        return self.best + 0.4 * (self.saturated - self.best)

    @property
    def dry(self) -> float:
        """Water content below which the soil is twice as strong as at its best."""
        at_best = (1 / self._m) ** (1 / self.n) / self.alpha_per_cm
        return self.water(2 * at_best * self.n**1.1)

    def share(self, water: float) -> float:
        """A water content as a share of the available water."""
        low, high = self.water(DRY_CM), self.water(DRAINED_CM)
        return (water - low) / (high - low)


CURVES = {
    "clay": Retention(0.068, 0.38, 0.008, 1.09),
    "silty clay": Retention(0.07, 0.36, 0.005, 1.09),
}


def friable(texture: str) -> tuple[float, float] | None:
    """Return the shares of available water between which a texture is friable; None if unknown."""
    curve = CURVES.get(texture.strip().lower())
    return (curve.share(curve.dry), curve.share(curve.wet)) if curve else None


def by_field(field: pl.DataFrame) -> pl.DataFrame:
    """Return ``field``, ``friable_from_share``, ``friable_to_share`` and ``limits_from``, their source."""
    texture = pl.col("soil_texture").str.strip_chars().str.to_lowercase()
    known = {name: friable(name) or USUAL for name in CURVES}
    low, high = (
        texture.replace_strict(
            {name: limits[at] for name, limits in known.items()},
            default=USUAL[at],
            return_dtype=pl.Float64,
        )
        for at in (0, 1)
    )
    named = texture.is_in(list(CURVES)).fill_null(False)
    return field.select(
        "field",
        friable_from_share=low,
        friable_to_share=high,
        limits_from=pl.when(named).then(pl.lit(SOURCE)).otherwise(pl.lit(USUAL_SOURCE)),
    )


def state(share: pl.Expr) -> pl.Expr:
    """Return what a share of available water means for the work, by the limits beside it."""
    low, high = pl.col("friable_from_share"), pl.col("friable_to_share")
    return (
        pl.when(share < low)
        .then(pl.lit("drier than friable"))
        .when(share > high)
        .then(pl.lit("wetter than friable"))
        .when(share.is_not_null())
        .then(pl.lit("friable"))
    )
