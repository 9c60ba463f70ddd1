"""Compares what farm.toml says with itself and the world: clock, sensors, secrets, mail, backup."""

import re
import tomllib
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from flows.base import files
from flows.farm import farm_file
from flows.farm.bounds import Bounds
from flows.farm.folder import FarmFolder
from flows.intake.door.places import NEAR_CM
from flows.pages.mail import send
from flows.setup.inspection.finding import Finding, advice, attention, fine
from flows.trust.backup import last_good
from schemas.farm.farm import Farm, Mail, Source
from schemas.farm.instruments import Probe, Sensor, Station
from schemas.farm.layout import Layout
from schemas.former_names import FORMER
from schemas.quantities import Instrument

# Standard time differs from the sun's by at most so much anywhere (western China: three hours).
_FARTHEST_H = 3.5
_SECRET = re.compile(r"(?i)(pass(word|wd)?|secret|token|api[-_]?key|auth|cookie|subscription-key)")
_LITERAL = re.compile(
    r"(?i)\b(pass(?:word|wd)?|secret|token|api[-_]?key)\b[\"']?\s*[=:]\s*[\"'](?!env:|\{env:)[^\"']+"
)


def clock(farm: Farm, now: datetime, latest: datetime | None) -> Iterator[Finding]:
    """The computer's clock and zone against the farm's, and against what came in last.

    ``now`` is by the computer's clock in its own zone; ``latest`` is when a delivery came last.
    """
    place = farm.place
    zone_h = farm_file.standard_offset_h(place)
    sun_h = zone_h if place.longitude is None else place.longitude / 15
    apart = abs((sun_h - zone_h + 12) % 24 - 12)
    if place.longitude is None:
        yield advice("place", farm_file.NO_PLACE, farm_file.GIVE_PLACE)
    if apart > _FARTHEST_H:
        yield attention(
            "clock",
            f"The longitude {place.longitude:g} and the time zone {place.time_zone} are {apart:.0f} "
            "hours apart.",
            "Mend [place] in farm.toml: west is negative.",
        )
    here, there = now.utcoffset(), now.astimezone(place.zone).utcoffset()
    if here != there:
        yield advice(
            "clock",
            f"The computer's clock is in UTC{now:%z}, the farm in {place.time_zone} "
            f"(UTC{now.astimezone(place.zone):%z}). Readings are not touched by that; schedules go "
            "by the farm's clock.",
            "Set the computer's time zone, if it stands on the farm.",
        )
    if latest is not None and latest > now + timedelta(minutes=5):
        yield attention(
            "clock",
            f"The last file came at {latest:%Y-%m-%d %H:%M} UTC, which is ahead of the "
            f"computer's clock ({now:%Y-%m-%d %H:%M %z}).",
            "Set the computer's clock; let it be set by the network.",
        )
    elif apart <= _FARTHEST_H:
        yield fine(
            "clock",
            "The clock is not behind what came in; it is "
            f"{now.astimezone(place.zone):%Y-%m-%d %H:%M} on the farm.",
        )


def former_keys(folder: FarmFolder) -> Iterator[Finding]:
    """Keys of farm.toml that have another name now; the file is known to be valid."""
    content = tomllib.loads(folder.farm_toml.read_text(encoding="utf-8-sig"))
    sensors = [sensor for probe in content.get("probes", []) for sensor in probe["sensors"]]
    for old, new in FORMER["sensor"].items():
        if any(old in sensor for sensor in sensors):
            yield advice(
                "farm.toml",
                f"The key {old} of a sensor is called {new} now.",
                f"Write {new} for {old} in farm.toml. Only this version still reads the old name.",
            )


def sensors(farm: Farm) -> Iterator[Finding]:
    """Instruments and sensors that no source or layout would ever fill."""
    lacking = 0
    for station in farm.stations:
        if not any(_may_bring(s, station, farm) for s in farm.sources):
            lacking += 1
            yield attention(
                "sensors",
                f"No source brings anything of the station {station.name}.",
                "Add a source to farm.toml, or name the station in one.",
            )
    for probe in farm.probes:
        layouts = [farm.layouts[s.layout] for s in farm.sources if _may_bring(s, probe, farm)]
        if not layouts:
            lacking += 1
            yield attention(
                "sensors",
                f"No source brings anything of the probe {probe.name}.",
                "Add a source to farm.toml, or name the probe in one.",
            )
            continue
        lost = [s for s in probe.sensors if not any(_fills(layout, probe, s) for layout in layouts)]
        if lost:
            lacking += 1
            yield attention(
                "sensors",
                f"The probe {probe.name} has {_depths(probe, lost)} in no layout.",
                "Add the columns to its layout, or take the sensors out of [[probes]].",
            )
    if not lacking and (farm.stations or farm.probes):
        yield fine("sensors", "Every station, probe and sensor has a source and a column.")


def _may_bring(source: Source, one: Station | Probe, farm: Farm) -> bool:
    named = source.probe if isinstance(one, Probe) else source.station
    kind = Instrument.PROBE if isinstance(one, Probe) else Instrument.STATION
    return any(
        named in (None, one.name) if owner is None else _is_called(one, owner)
        for owner in farm.layouts[source.layout].owners(kind)
    )


def _is_called(one: Station | Probe, word: str) -> bool:
    return word.casefold() in {name.casefold() for name in (one.name, *one.ids)}


def _fills(layout: Layout, probe: Probe, sensor: Sensor) -> bool:
    if layout.depth_column or layout.sensor_column:
        return True  # the rows say which
    return any(
        (rule.depth_cm is not None and abs(rule.depth_cm - sensor.depth_cm) <= NEAR_CM)
        or (rule.sensor is not None and rule.sensor.casefold() == (sensor.name or "").casefold())
        for rule in layout.columns.values()
        if rule.probe is None or _is_called(probe, rule.probe)
    )


def _depths(probe: Probe, lost: list[Sensor]) -> str:
    if len(lost) == len(probe.sensors):
        return "all its sensors"
    return ", ".join(f"{sensor.depth_cm:g} cm" for sensor in lost)


def secrets(folder: FarmFolder, farm: Farm | None) -> Iterator[Finding]:
    """Passwords and keys that stand in farm.toml; where, never what."""
    found = []
    for number, line in enumerate(folder.farm_toml.read_text(encoding="utf-8-sig").splitlines(), 1):
        if _LITERAL.search(line):
            found.append(f"line {number}")
    asked = [(one.name, one.url or "", one.headers) for one in farm.sources] if farm else []
    asked += [
        (one.name, one.url, one.headers | one.asset_headers)
        for one in (farm.image_sources if farm else ())
    ]
    for source, url, headers in asked:
        for name, value in headers.items():
            if _SECRET.search(name) and not value.startswith("env:"):
                found.append(f"the header {name} of source {source}")
        words = re.findall(r"[?&]([^=&]+)=([^&{]+)", url)
        if re.search(r"//[^/@{]+@", url) or any(_SECRET.search(word) for word, _ in words):
            found.append(f"the url of source {source}")
    if found:
        yield attention(
            "secrets",
            f"farm.toml seems to hold a password or key: {'; '.join(found)}.",
            "Put it into the environment and write env:NAME (in a url {env:NAME}). Change it if "
            "others have seen the file.",
        )
    else:
        yield fine("secrets", "No password or key was seen in farm.toml.")


def mail(folder: FarmFolder, farm: Farm, *, reach: bool) -> Iterator[Finding]:
    """Whether the digest can be sent; the server is spoken to only where ``reach`` asks for it."""
    if farm.mail is None:
        yield advice(
            "mail",
            "No [mail] is set up: the digest is only saved.",
            "Name the server and the readers in farm.toml, if it is to be mailed.",
        )
        return
    if farm.mail.user is not None and send.password(farm.mail, Bounds.of(folder.root)) is None:
        yield attention(
            "mail",
            f"No password is known for {farm.mail.user}.",
            f"Set {send.PASSWORD}, or put it into the keyring (service {send.SERVICE}).",
        )
    elif reach:
        yield _mail_server(farm.mail, Bounds.of(folder.root))
    else:
        yield fine(
            "mail",
            f"[mail] is complete; whether {farm.mail.server} answers was not asked (--mail asks).",
        )


def _mail_server(given: Mail, bounds: Bounds) -> Finding:
    why = send.trouble(given, bounds)
    if why:
        return attention("mail", why, "Look at server, port, security and user in [mail].")
    return fine("mail", f"{given.server} answers, and takes user and password.")


def backup(folder: FarmFolder, farm: Farm) -> Iterator[Finding]:
    """Whether there are backups, and elsewhere than on the same disk."""
    if farm.backup is None:
        yield attention(
            "backup",
            "No backup is set up. What the instruments measured cannot be measured again.",
            "Add [backup] with a folder on another disk or share to farm.toml.",
        )
        return
    to = last_good.target(folder, farm)
    if not files.answers(to, folder.root):
        yield attention(
            "backup",
            f"The folder {to} does not answer.",
            "Look at the share: is its computer on, the network up?",
        )
        return
    there = next((path for path in (to, *to.parents) if path.exists()), Path(to.anchor))
    if there.stat().st_dev == folder.root.stat().st_dev:
        yield advice(
            "backup",
            f"Backups go to {to}, on the same disk as the farm folder.",
            "Name a folder on another disk or share: this one dies with it.",
        )
    good = last_good.last_good(folder)
    if good:
        yield fine("backup", f"The last good backup is {good['name']} in {good['to']}.")
