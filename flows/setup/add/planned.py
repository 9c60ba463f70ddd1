"""What farm.toml lacks for a logger's files, from what they say and what was answered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from flows.base.errors import UserError
from flows.setup.add import written
from flows.setup.add.asked_places import Known
from flows.setup.add.looked import Look, name_of
from flows.setup.add.written import Part
from schemas.farm.farm import Farm
from schemas.quantities import Instrument

DROP = "drop"


def part_of(
    seen: Look, known: Known, places: Mapping[str, str]
) -> tuple[Part, list[tuple[Path, str, str]]]:
    """Return what farm.toml lacks for these files, and the files with their folder and name."""
    farm = known.farm
    words = seen.words or (places["instrument"],)
    names = {(kind, w): known.named(kind, w) or name_of(w) for w in words for kind in seen.kinds}
    blocks = tuple(
        (kind.value, _block(seen, kind, word, names[kind, word], places))
        for word in words
        for kind in seen.kinds
        if known.named(kind, word) is None
    )
    _check_sensors(seen, known, words)
    label = words[0] if len(words) == 1 else written.slug(seen.files[0].name.partition(".")[0])
    model = seen.model
    same = [
        name for name, have in farm.layouts.items() if have.as_it_reads() == model.as_it_reads()
    ]
    layout_name = same[0] if same else written.free(written.slug(label), list(farm.layouts))
    own = {} if seen.words else {kind.value: names[kind, words[0]] for kind in seen.kinds}
    source, those = _source(seen, farm, layout_name, label, own, reuse=bool(same))
    kinds = " and ".join(
        f"{kind.value} {', '.join(dict.fromkeys(n for (k, _), n in names.items() if k is kind))}"
        for kind in seen.kinds
    )
    what = f"{kinds}, from {', '.join(file.name for file in seen.files)}"
    return Part(what, layout_name, None if same else seen.layout, blocks, source), those


def _block(
    seen: Look, kind: Instrument, word: str, name: str, places: Mapping[str, str]
) -> dict[str, Any]:
    suffix = f" {word}" if seen.words else ""
    block: dict[str, Any] = {"name": name} | ({} if word == name else {"ids": [word]})
    if kind is Instrument.PROBE:
        block["sensors"] = seen.sensors(word if seen.words else None)
    elif seen.place is not None and len(seen.words) < 2:
        block |= dict(zip(("latitude", "longitude"), seen.place, strict=True))
    if places[f"field{suffix}"]:
        block |= {"field": places[f"field{suffix}"], "strip": places[f"strip{suffix}"]}
    return block | {"from": date.fromisoformat(places["since"])}


def _check_sensors(seen: Look, known: Known, words: Sequence[str]) -> None:
    """Raise UserError if a probe that farm.toml has lacks a sensor that the files have."""
    if Instrument.PROBE not in seen.kinds:
        return
    probes = {probe.name: probe for probe in known.farm.probes}
    for word in words:
        probe = probes.get(known.named(Instrument.PROBE, word) or "")
        if probe is None:
            continue
        has = [sensor.depth_cm for sensor in probe.sensors]
        wanted = [
            s["depth_cm"] for s in seen.sensors(word if seen.words else None) if "depth_cm" in s
        ]
        lacking = [d for d in wanted if not any(abs(d - h) <= 1.0 for h in has)]
        if lacking:
            raise UserError(
                f"The probe {probe.name} has no sensor at {', '.join(f'{d:g}' for d in lacking)} cm in "
                f"farm.toml (it has {', '.join(f'{h:g}' for h in has)} cm), and the files have. Is it "
                "another probe? Else add the depth to its sensors."
            )


def _source(
    seen: Look,
    farm: Farm,
    layout_name: str,
    label: str,
    own: Mapping[str, str],
    *,
    reuse: bool,
) -> tuple[dict[str, Any] | None, list[tuple[Path, str, str]]]:
    """Return a source for the files, or None if one of farm.toml will do; and where they lie in it."""
    for have in farm.sources if reuse else ():
        of_it = {k: v for k, v in (("station", have.station), ("probe", have.probe)) if v}
        if have.kind == "folder" and (have.layout, of_it, have.glob) == (
            layout_name,
            dict(own),
            "*",
        ):
            return None, [(file, have.path, file.name) for file in seen.files]
    path = f"{DROP}/{written.free(written.slug(label), [Path(s.path).name for s in farm.sources])}"
    name = written.free(label, [source.name for source in farm.sources])
    source = {"name": name, "layout": layout_name, **own, "path": path, "glob": "*"}
    return source, [(file, path, file.name) for file in seen.files]


def in_words(part: Part, those: Sequence[tuple[Path, str, str]]) -> list[str]:
    """Return what is to be added, a line each."""
    lines = ["To be added:"]
    if part.layout is not None:
        lines.append(f"  layout {part.layout_name}")
    for kind, block in part.instruments:
        where = f" in {block['field']}, {block['strip']} strip," if "field" in block else ""
        depths = [s["depth_cm"] for s in block.get("sensors", ())]
        deep = f" sensors at {', '.join(f'{d:g}' for d in depths)} cm," if depths else ""
        place = f" at {block['latitude']:g}, {block['longitude']:g}," if "latitude" in block else ""
        lines.append(f"  {kind} {block['name']}{where}{place}{deep} since {block['from']}")
    if part.source is not None:
        lines.append(f"  source {part.source['name']}: later files in {part.source['path']}/")
    lines.append(f"  {', '.join(file.name for file, _, _ in those)}, into the archive")
    return lines
