"""One layout for several files of one logger: what they share, and what each writes otherwise."""

from typing import Any

from flows.setup.sniff.finding import Finding, Proposal, Sure

PLACE = ("quantity", "counts", "depth_cm", "sensor")  # what a column gives: one column each
MEANING = ("unit", "trust_unit", "missing")
ORDER = {Sure.CERTAIN: 0, Sure.LIKELY: 1, Sure.UNSURE: 2}


def joined(proposals: dict[str, Proposal]) -> Proposal:
    """The layout that reads all files, by file name; what they contradict each other in is asked.

    The file with most columns leads. Of each item the surest finding of all files counts. A column
    that is called otherwise in another file gets that name too; one that not every file has is
    optional.
    """
    ordered = sorted(proposals, key=lambda n: (-len(proposals[n].layout.get("columns", {})), n))
    lead = proposals[ordered[0]]
    if len(ordered) == 1:
        return lead
    layout, found = dict(lead.layout), {f.item: f for f in lead.found}
    columns = {name: dict(rule) for name, rule in layout.pop("columns", {}).items()}
    left_out = list(lead.left_out)
    for file in ordered[1:]:
        other = proposals[file]
        for finding in other.found:
            _surest(found, finding, layout, columns, other)
        _add_columns(file, other, columns, found)
        heading = lead.first_heading if lead.first_heading == other.first_heading else ""
        _compare(file, other, heading, layout, found)
        left_out += [n for n in other.left_out if n not in left_out and n not in columns]
    for name, rule in columns.items():
        names = {name, *rule.get("names", ())}
        if any(not names & set(p.layout.get("columns", {})) for p in proposals.values()):
            rule["optional"] = True
    if columns:
        layout["columns"] = columns
    places = {p.place for p in proposals.values()}
    place = places.pop() if len(places) == 1 else None
    return Proposal(layout, list(found.values()), left_out, place=place)


def _surest(
    found: dict[str, Finding],
    finding: Finding,
    layout: dict[str, Any],
    columns: dict[str, dict[str, Any]],
    other: Proposal,
) -> None:
    """Take a finding that is surer than what was known of its item, with what it decides."""
    known = found.get(finding.item)
    if known is None:
        found[finding.item] = finding
    elif ORDER[finding.sure] < ORDER[known.sure]:
        found[finding.item] = finding
        name = next((n for n in columns if finding.item.startswith(f"columns.{n}.")), None)
        rule = other.layout.get("columns", {}).get(name)
        if name is not None and rule is not None:
            columns[name] |= {k: rule[k] for k in (*PLACE, *MEANING) if k in rule}
        elif finding.item in ("stamp", "step"):
            layout[finding.item] = other.layout[finding.item]
        elif finding.item.startswith("time.") and finding.item != "time.columns":
            layout["time"] = other.layout["time"] | {"columns": layout["time"]["columns"]}


def _add_columns(
    file: str, other: Proposal, columns: dict[str, dict[str, Any]], found: dict[str, Finding]
) -> None:
    """Join the columns of another file to those known: the same, another name, or a new one."""
    unsure = {question.item for question in other.questions}
    for name, rule in other.layout.get("columns", {}).items():
        same = next((n for n, own in columns.items() if name in (n, *own.get("names", ()))), None)
        place = _of(rule, PLACE)
        if same is None:
            same = next((n for n, own in columns.items() if _of(own, PLACE) == place), None)
            if same is not None and same in other.layout["columns"]:
                why = f"in {file} '{same}' gives the same: which of the two?"
                found[f"columns.{name}"] = Finding(f"columns.{name}", "left out", Sure.UNSURE, why)
                continue
        if same is None:
            columns[name] = dict(rule)
            continue
        own = columns[same]
        if name != same and name not in own.get("names", ()):
            own["names"] = [*own.get("names", ()), name]
            why = f"in {file} it is called '{name}'"
            found[f"columns.{same}.names"] = Finding(
                f"columns.{same}.names", str(own["names"]), Sure.LIKELY, why
            )
        own_codes = own.get("missing", [])
        codes = [c for c in rule.get("missing", []) if c not in own_codes]
        if codes:
            own["missing"] = [*own_codes, *codes]
        if f"columns.{name}.unit" not in unsure:
            _ask_if_other(file, same, own, rule, found)


def _ask_if_other(
    file: str,
    name: str,
    own: dict[str, Any],
    rule: dict[str, Any],
    found: dict[str, Finding],
) -> None:
    for key in (*PLACE, "unit"):
        item = f"columns.{name}.{key}"
        if own.get(key) == rule.get(key) or _unsure(found, item):
            continue
        why = f"in {file} it is {rule.get(key)}: a layout of its own, or which is true?"
        found[item] = Finding(item, str(own.get(key)), Sure.UNSURE, why)


def _compare(
    file: str, other: Proposal, heading: str, layout: dict[str, Any], found: dict[str, Finding]
) -> None:
    """Ask about every key of the layout that another file needs otherwise.

    ``heading`` is the first heading that both files have, empty if they have none.
    """
    theirs = {k: v for k, v in other.layout.items() if k != "columns"}
    codes = [c for c in theirs.pop("missing", []) if c not in layout.get("missing", [])]
    if codes:
        layout["missing"] = [*layout.get("missing", []), *codes]
    if layout.get("skip") != theirs.get("skip") and layout.get("header") != 0 and heading:
        layout.pop("skip", None)
        theirs.pop("skip", None)
        layout["header_starts"] = theirs["header_starts"] = heading
        why = f"{file} has its headings further up or down"
        found["header_starts"] = Finding("header_starts", heading, Sure.LIKELY, why)
    elif "header_starts" in layout:
        theirs.pop("skip", None)
        theirs["header_starts"] = layout["header_starts"]
    open_ = {
        f.item for some in (found.values(), other.found) for f in some if f.sure is Sure.UNSURE
    }
    for key in sorted(set(layout) | set(theirs)):
        same = key == "missing" or layout.get(key) == theirs.get(key)
        clock = key == "time" and open_ & {"time.zone", "time.offset", "time.format"}
        if same or key in open_ or clock:
            continue
        shown = theirs.get(key, "nothing")
        why = f"{file} has {shown}: it needs a layout of its own"
        found[key] = Finding(key, str(layout.get(key, "nothing")), Sure.UNSURE, why)


def _unsure(found: dict[str, Finding], item: str) -> bool:
    return item in found and found[item].sure is Sure.UNSURE


def _of(rule: dict[str, Any], keys: tuple[str, ...]) -> tuple[Any, ...]:
    return tuple(rule.get(key) for key in keys)
