"""Great Expectations over frames in memory: one import of it, one place that knows it.

It costs seconds and 230 MB to import, so only the audit's own run does. Analytics and progress
bars are off before anything of it is loaded, and nothing of its ready-made pages is used: they
load styles and a logo from outside.
"""

from __future__ import annotations

import logging
import os
from dataclasses import dataclass
from typing import Any

import polars as pl

from flows.trust.audit.declared_limits import Expected


@dataclass(slots=True)
class Verdict:
    """Rows looked at and not met, over all batches; ``trouble`` where it could not be evaluated."""

    looked: int = 0
    unmet: int = 0
    examples: tuple[str, ...] = ()
    trouble: str | None = None

    def add(self, other: Verdict) -> None:
        """Take in another batch of the same rows."""
        self.looked += other.looked
        self.unmet += other.unmet
        self.examples = (*self.examples, *other.examples)[:5]
        self.trouble = self.trouble or other.trouble


class Judge:
    """A context of Great Expectations in memory."""

    def __init__(self) -> None:
        """Load Great Expectations, quiet and offline."""
        os.environ["GX_ANALYTICS_ENABLED"] = "false"
        import great_expectations as gx  # noqa: PLC0415

        logging.getLogger("great_expectations").setLevel(logging.ERROR)
        self._gx = gx
        context = gx.get_context(mode="ephemeral")
        context.variables.progress_bars = {"globally": False}  # type: ignore[assignment]
        source = context.data_sources.add_pandas("memory")
        self._batches = source.add_dataframe_asset("rows").add_batch_definition_whole_dataframe(
            "all"
        )

    def judge(self, frame: pl.DataFrame, expected: list[Expected]) -> list[Verdict]:
        """A verdict for each expectation, in order."""
        suite = self._gx.ExpectationSuite(name="declared")
        for place, one in enumerate(expected):
            made_of = getattr(self._gx.expectations, one.kind)
            suite.add_expectation(made_of(**one.settings, meta={"place": place}))
        batch = self._batches.get_batch(batch_parameters={"dataframe": frame.to_pandas()})
        verdicts = [Verdict(trouble="it was not judged") for _ in expected]
        for result in batch.validate(suite, result_format="BASIC").results:
            config = result.expectation_config
            if config is not None and config.meta is not None:
                verdicts[config.meta["place"]] = _verdict(result)
        return verdicts


def _verdict(result: Any) -> Verdict:
    if "unexpected_count" not in result.result:
        return Verdict(trouble="it could not be judged")
    found = result.result.get("partial_unexpected_list", ())
    unmet = int(result.result["unexpected_count"])
    # A verdict of its own, whatever the counts say.
    if not result.success and not unmet:
        return Verdict(trouble="it failed without a count")
    return Verdict(int(result.result["element_count"]), unmet, tuple(str(f) for f in found[:5]))
