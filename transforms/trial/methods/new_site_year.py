"""What a new field's response would be known to: by blocks, years, the lot and a season before the work.

In percent of the check yield. The scatter of one block's difference is the farm's own or, while it has
none, that of published uniformity trials: treated alike and harvested plot by plot, so what two
neighboring passes differ by is ground and weighing. In the middle trial of one half of them it is
``PUBLISHED_PCT`` (45 trials of field crops in the open collection agridat, passes of up to 24 plots), in
the middle half ``PUBLISHED_MIDDLE_PCT``; the other half agrees (tests/bench/FIGURES.md). A combine pass
averages more ground than these plots, so a farm's own scatter is often smaller.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.trial.methods.ground import (
    COMES_BACK,
    PRIOR_DF,
    carried,
    known_df,
    published_factor,
)
from transforms.trial.methods.response_words import LEAST_DF
from transforms.trial.methods.trial_statistics import findable_difference, least_difference

PUBLISHED_PCT = 8.8
PUBLISHED_MIDDLE_PCT = (5.5, 10.3)


@dataclass(frozen=True, slots=True)
class Scatter:
    """How much blocks differ, and strips beyond what their blocks tell.

    ``block``: variance of one block's difference [percent of the check yield, squared]; ``ground``: the
    part of the published excess that strips have; ``df``: degrees of freedom known before the new
    field's own; ``blocks``: usual number of them; ``site_years`` that tell it (0: published trials).
    """

    block: float
    ground: float
    df: float
    blocks: float
    site_years: int

    def error_pct(
        self, blocks: float, years: int = 1, *, by_lot: bool = False, before: bool = False
    ) -> float:
        """Return the standard error of the mean response over ``years`` seasons of one field.

        ``by_lot``: sides are drawn in each block, which leaves no ground beyond what blocks tell;
        ``before``: one season was harvested before the work.
        """
        noise = self.block / blocks
        strips = noise * self._excess(blocks, by_lot=by_lot)
        lasting = COMES_BACK * strips
        rest = noise + strips - lasting
        left = lasting * (1 - carried(strips, rest)) if before else lasting
        return float((rest / years + left) ** 0.5)

    def findable_pct(self, blocks: int, years: int, *, by_lot: bool) -> float | None:
        """Return the response that is called a gain four times out of five; None without a verdict.

        The test has the degrees of freedom of the new blocks and of ``df``; power as in
        ``findable_difference`` (the non-central t).
        """
        df = self._df(blocks, years, by_lot=by_lot)
        if df < LEAST_DF:
            return None
        return findable_difference(self.error_pct(blocks, years, by_lot=by_lot), df)

    def half_width_pct(
        self, blocks: int, *, by_lot: bool = False, before: bool = False
    ) -> float | None:
        """Return half of the first season's 95% interval; None without a verdict."""
        df = self._df(blocks, 1, by_lot=by_lot)
        if df < LEAST_DF:
            return None
        return least_difference(self.error_pct(blocks, by_lot=by_lot, before=before), df)

    def _excess(self, blocks: float, *, by_lot: bool) -> float:
        """Return the ground's variance over that of the blocks' mean."""
        published = float(published_factor(np.array(blocks))) - 1
        return 0.0 if by_lot else published * self.ground

    def _df(self, blocks: float, years: int, *, by_lot: bool) -> float:
        """Return the degrees of freedom of the error; ``df`` of a farm's own holds those of its ground."""
        own = self.df + years * (blocks - 1)
        if self.site_years or own == 0:
            return own
        excess = np.array(self._excess(blocks, by_lot=by_lot))
        return float(known_df(np.ones(()), excess, np.array(own), PRIOR_DF))


PUBLISHED = Scatter(PUBLISHED_PCT**2, 1.0, 0.0, 1.0, 0)


def scatter_of(response: pl.DataFrame) -> Scatter | None:
    """Return the scatter that the site-years of ``response`` show; None if none is known."""
    known = response.filter((pl.col("check_kg_ha") > 0) & pl.col("response_se_kg_ha").is_not_null())
    if known.is_empty():
        return None
    level = known["check_kg_ha"].to_numpy() / 100
    blocks = np.maximum(known["blocks"].to_numpy().astype(float), 1.0)
    ground = (known["ground_se_kg_ha"].fill_null(0.0).to_numpy() / level) ** 2
    own = np.maximum((known["response_se_kg_ha"].to_numpy() / level) ** 2 - ground, 0.0)
    more = own * (published_factor(blocks) - 1)
    return Scatter(
        block=float((own * blocks).mean()),
        ground=float(ground.sum() / more.sum()) if more.sum() > 0 else 0.0,
        df=float(np.median(known["response_df"].to_numpy())),
        blocks=float(np.median(blocks)),
        site_years=known.height,
    )
