"""Run Great Expectations over frames in memory: one import of it, one place that knows it.

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
class Result:
    """Rows looked at and not met, over all batches; ``trouble`` if it could not be evaluated."""

    looked: int = 0
    unmet: int = 0
    examples: tuple[str, ...] = ()
    trouble: str | None = None

    def add(self, other: Result) -> None:
        """Add the result of another batch of the same rows."""
        self.looked += other.looked
        self.unmet += other.unmet
        self.examples = (*self.examples, *other.examples)[:5]
        self.trouble = self.trouble or other.trouble


class Evaluator:
    """A context of Great Expectations in memory."""

    def __init__(self) -> None:
        """Load Great Expectations, quiet and offline."""
        os.environ["GX_ANALYTICS_ENABLED"] = "false"
        # Here for start-up time, and because it reads that setting at once.
        import great_expectations  # noqa: PLC0415

        logging.getLogger("great_expectations").setLevel(logging.ERROR)
        self._library = great_expectations
        context = great_expectations.get_context(mode="ephemeral")
        context.variables.progress_bars = {"globally": False}  # type: ignore[assignment]
        source = context.data_sources.add_pandas("memory")
        self._batches = source.add_dataframe_asset("rows").add_batch_definition_whole_dataframe(
            "all"
        )

    def evaluate(self, frame: pl.DataFrame, expected: list[Expected]) -> list[Result]:
        """Return the result of each expectation, in order."""
        # All at once: a suite compares each one that is added with all that it has.
        suite = self._library.ExpectationSuite(
            name="declared",
            expectations=[
                getattr(self._library.expectations, one.kind)(**one.settings, meta={"place": place})
                for place, one in enumerate(expected)
            ],
        )
        batch = self._batches.get_batch(batch_parameters={"dataframe": frame.to_pandas()})
        results = [Result(trouble="it was not judged") for _ in expected]
        for validated in batch.validate(suite, result_format="BASIC").results:
            config = validated.expectation_config
            if config is not None and config.meta is not None:
                results[config.meta["place"]] = _result(validated)
        return results


def _result(validated: Any) -> Result:
    details = validated.result
    if "unexpected_count" not in details:
        return Result(trouble="it could not be judged")
    unmet = int(details["unexpected_count"])
    # It has a word of its own on success, whatever the counts say.
    if not validated.success and not unmet:
        return Result(trouble="it failed without a count")
    examples = details.get("partial_unexpected_list", ())
    return Result(int(details["element_count"]), unmet, tuple(map(str, examples[:5])))
