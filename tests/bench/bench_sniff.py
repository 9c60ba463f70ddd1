"""How often ``sniff`` proposes the true layout of 200 invented exports: prints a table for FIGURES.md.

Run with: python -m tests.bench.bench_sniff [how many] [first seed]
"""

from __future__ import annotations

import sys
from collections import Counter

from tests.bench.sniff_judge import judge
from tests.bench.sniffed import make

MANY = 200


def main(many: int = MANY, first: int = 0) -> None:
    """Judge that many exports."""
    counts: Counter[str] = Counter()
    questions = 0
    for seed in range(first, first + many):
        made = make(seed)
        verdict, _ = judge(made)
        counts[
            "right as it stands"
            if verdict.right
            else "right but for what it asks"
            if verdict.asked
            else "silently wrong"
        ] += 1
        counts["silently wrong in unit or zone"] += any("left out" not in w for w in verdict.wrong)
        questions += verdict.questions
        if verdict.wrong:
            print(f"<!-- export {seed}: {made.told}: {'; '.join(verdict.wrong)[:300]} -->")
    print("| invented exports | number | share |\n| --- | ---: | ---: |")
    for what in (
        "right as it stands",
        "right but for what it asks",
        "silently wrong",
        "silently wrong in unit or zone",
    ):
        print(f"| {what} | {counts[what]} | {counts[what] / many:.1%} |")
    print(f"| questions an export | {questions / many:.1f} | |")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
