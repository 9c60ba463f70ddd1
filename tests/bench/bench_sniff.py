"""How often ``sniff`` proposes the true layout of 200 invented exports: prints a table for FIGURES.md.

Run with: python -m tests.bench.bench_sniff [how many] [first seed]
"""

from __future__ import annotations

import sys
from collections import Counter

from tests.bench.sniff_judge import Verdict, judge
from tests.bench.sniffed import make

MANY = 200
OUTCOMES = (
    "right as it stands",
    "right but for what it asks, and nothing in the file tells it",
    "asks what the file could tell",
    "silently wrong",
)


def main(many: int = MANY, first: int = 0) -> None:
    """Judge that many exports."""
    counts: Counter[str] = Counter()
    shapes: Counter[tuple[str, str]] = Counter()
    questions = 0
    for seed in range(first, first + many):
        made = make(seed)
        verdict, _ = judge(made)
        what = outcome(verdict)
        counts[what] += 1
        shapes[made.description.rsplit(", ", 1)[-1], what] += 1
        counts["silently wrong in unit or zone"] += any("left out" not in w for w in verdict.wrong)
        questions += verdict.questions
        if what in OUTCOMES[2:]:
            items = "; ".join(verdict.wrong or verdict.differs)
            print(f"<!-- export {seed}: {what}: {made.description}: {items[:300]} -->")
    print("| invented exports | number | share |\n| --- | ---: | ---: |")
    for what in (*OUTCOMES, "silently wrong in unit or zone"):
        print(f"| {what} | {counts[what]} | {counts[what] / many:.1%} |")
    print(f"| questions an export | {questions / many:.1f} | |")
    print("\n| shape | " + " | ".join(OUTCOMES) + " |\n| --- |" + " ---: |" * len(OUTCOMES))
    for shape in sorted({shape for shape, _ in shapes}):
        print(f"| {shape} | " + " | ".join(str(shapes[shape, what]) for what in OUTCOMES) + " |")


def outcome(verdict: Verdict) -> str:
    """What a verdict comes to, in a word of OUTCOMES."""
    if verdict.right:
        return OUTCOMES[0]
    if not verdict.asked:
        return OUTCOMES[3]
    return OUTCOMES[1] if verdict.cannot else OUTCOMES[2]


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
