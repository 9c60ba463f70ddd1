"""What the trial's year asks for: each rule with its time, and what in the tables says that it is done.

A time is an anchor of a season (``Place.anchor``) and days after it. Windows in days are common practice,
no source, unless a comment names one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from flows.pages.year import checks
from flows.pages.year.place import Place

When = tuple[str, int]


def _always(_: Place) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Rule:
    """One thing to do in a season: its words, its window, and how to see that it is done.

    ``do`` ends in the fields it concerns. ``by`` and ``last``: the earliest of these days. ``asked``:
    whether it is for this field at all; ``now``: whether the digest may ask for it on the day (the soil
    is right). ``works_ground`` brings the caution. ``by_comparison``: a field with more than two strips is
    asked for each two that are compared, not once. ``early``: whether it counts as done before its time.
    """

    what: str
    do: str
    first: When
    by: tuple[When, ...]
    last: tuple[When, ...]
    done: Callable[[Place], bool]
    asked: Callable[[Place], bool] = _always
    now: Callable[[Place], bool] = _always
    works_ground: bool = False
    in_digest: bool = True
    by_comparison: bool = False
    early: bool = False


RULES: tuple[Rule, ...] = (
    # before and at harvest
    Rule(
        "pass sheet",
        "Print the pass sheet (checkstrip form passes) for",
        ("harvest", -21),
        (("harvest", -1),),
        (("harvest", 14),),
        checks.sheet_printed,
        asked=lambda p: p.seeded is not None,
    ),
    Rule(
        "passes",
        "Enter the weighed passes of",
        ("harvested", 0),
        (("harvested", 7),),
        (("next seeding", 0),),
        checks.weighed,
    ),
    Rule(
        "correct passes",
        "Correct the passes of",
        ("harvested", 0),
        (("harvested", 14),),
        (("next seeding", 0),),
        lambda p: checks.doubtful_passes(p).is_empty(),
        asked=lambda p: p.tables("harvest_pass", field=p.field, season=p.season).height > 0,
    ),
    # after harvest
    Rule(
        "decide",
        "Decide on the practice after harvest:",
        ("harvested", 0),
        (("harvested", 60), ("next seeding", -1)),
        (("harvested", 90), ("next seeding", -1)),
        checks.decided,
        works_ground=True,
        by_comparison=True,
    ),
    Rule(
        "record work",
        "Complete the record of the work on",
        ("work", 0),
        (("work", 14),),
        (("work", 180),),
        lambda p: not checks.missing_of_work(p),
        asked=lambda p: p.work is not None,
    ),
    Rule(
        "report",
        "Write the season report (checkstrip report; --brief to hand on) for",
        ("harvested", 1),
        (("harvested", 45),),
        (("next seeding", 0),),
        checks.reported,
        asked=lambda p: p.made is not None and checks.weighed(p),
    ),
    # winter
    Rule(
        "close books",
        "Close the books of the season for",
        ("harvested", 30),
        (("next seeding", -30),),
        (("next seeding", 30),),
        lambda p: not checks.missing_of_books(p),
        asked=checks.weighed,
    ),
    Rule(
        "plan",
        "Plan crop and price (field book, sheet plans) for",
        ("next seeding", -150),
        (("next seeding", -30),),
        (("next seeding", 30),),
        lambda p: p.after is not None and (p.after["planned"] or p.next_seeded is not None),
        asked=lambda p: p.harvested is not None,
        early=True,
    ),
    Rule(
        "batteries",
        "Check batteries, cables and mounts on",
        ("next seeding", -45),
        (("next seeding", -14),),
        (("next seeding", 0),),
        checks.batteries,
        asked=lambda p: p.harvested is not None and p.has_probe,
    ),
    Rule(
        "backup",
        "Back up the farm folder (checkstrip backup) before the season of",
        ("next seeding", -60),
        (("next seeding", -14),),
        (("next seeding", 0),),
        checks.backed_up,
        asked=lambda p: p.made is not None and p.harvested is not None,
        in_digest=False,  # the status asks for it
    ),
    # spring
    Rule(
        "seeding",
        "Enter crop and day of seeding of",
        ("seeding", 0),
        (("seeding", 7),),
        (("harvest", 0),),
        lambda p: p.seeded is not None,
    ),
    Rule(
        "lift",
        "Enter the lift of the probes for seeding (sheet lifts) on",
        ("seeding", -3),
        (("seeding", 7),),
        (("seeding", 45),),
        checks.lifted,
        asked=lambda p: p.has_probe,
    ),
    Rule(
        "reinstall",
        "Reinstall the probes after seeding on",
        ("seeding", 1),
        (("seeding", 14),),
        (("harvest", 0),),
        lambda p: not p.out,
        asked=lambda p: p.seeded is not None and p.has_probe and not p.stood_through(p.seeded),
        works_ground=True,
        in_digest=False,  # it is in what to do this week, with its caution
    ),
    # in season
    Rule(
        "penetrometer",
        "Push the penetrometer in both strips while the soil is moist:",
        ("harvest", -100),
        (("harvest", -60),),
        (("harvest", 0),),
        checks.pushed,
        asked=lambda p: p.seeded is not None,
        now=checks.moist,
    ),
    Rule(
        "infiltration",
        "Measure infiltration in both strips, not after rain:",
        ("harvest", -95),
        (("harvest", -50),),
        (("harvest", 0),),
        checks.observed("infiltration"),
        asked=lambda p: p.seeded is not None,
        now=checks.not_wet,
    ),
    Rule(
        "pit",
        "Dig a pit in both strips and note the deepest roots:",
        ("harvest", -55),
        (("harvest", -35),),
        (("harvest", 0),),
        checks.observed("root"),
        asked=lambda p: p.seeded is not None,
        works_ground=True,
    ),
)
