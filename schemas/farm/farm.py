"""The farm file: ``farm.toml`` as pydantic models, every key with its meaning and limits."""

from __future__ import annotations

from datetime import date, datetime, time
from functools import cache
from importlib.resources import files
from typing import Annotated, Any, Literal
from uuid import UUID
from zoneinfo import ZoneInfo, available_timezones

from cronsim import CronSim, CronSimError
from pydantic import AfterValidator, Field, ValidationInfo, field_validator, model_validator

from schemas.farm import short_form
from schemas.farm.images import ImageBands, ImageSource
from schemas.farm.instruments import Name, Probe, ProbeDefaults, Station, StationDefaults
from schemas.farm.layout import Layout, Strict


class About(Strict):
    """[farm]: the farm itself.

    ``day_first``: whether a date such as 5/6/2021 in the field book is the 5th of June; without it
    such a date counts only where other dates of its column show the order. ``id`` (a UUID) is what a
    network knows the farm by.
    """

    name: str
    id: UUID | None = None
    currency: str = "USD"
    units: Literal["metric", "us", "canada"] = "metric"
    day_first: bool | None = None


@cache
def _listed_zones() -> frozenset[str]:
    """Return the IANA zones of the package tzdata: the system's own are slow to list."""
    return frozenset((files("tzdata") / "zones").read_text(encoding="utf-8").split())


def _check_zone(value: str) -> str:
    if value not in _listed_zones() and value not in available_timezones():
        raise ValueError(
            "expected an IANA time zone such as America/Winnipeg or Australia/Adelaide"
        )
    return value


Zone = Annotated[str, AfterValidator(_check_zone)]


class Place(Strict):
    """[place]: where it lies and when its day starts (standard time, all year).

    A farm may leave out its coordinates, all three of them: what needs the sun is not made then.
    """

    latitude: Annotated[float | None, Field(ge=-90, le=90)] = None
    longitude: Annotated[float | None, Field(ge=-180, le=180)] = None
    elevation_m: Annotated[float | None, Field(ge=-450, le=6000)] = None
    time_zone: Zone
    day_starts: time = time(0, 0)

    @model_validator(mode="after")
    def _check_coordinates(self) -> Place:
        given = [v is not None for v in (self.latitude, self.longitude, self.elevation_m)]
        if any(given) and not all(given):
            raise ValueError("give latitude, longitude and elevation_m, or none of them")
        return self

    @property
    def zone(self) -> ZoneInfo:
        """Return the zone itself."""
        return ZoneInfo(self.time_zone)


class Source(Strict):
    """[[sources]]: where files or responses come from, and what they are of.

    A folder source takes files below ``path`` that match ``glob`` (``**`` for sub-folders;
    ``{station}`` or ``{probe}`` in it stands for the instrument's name or one of its ids), up to
    ``max_mb`` each. An http source asks ``url`` with ``{since}``, ``{until}`` and ``{station}``
    filled in; header values written ``env:NAME`` are taken from the environment, and so is
    ``{env:NAME}`` in the url. A long span is asked in pieces of ``piece_d`` days, ``pause_s``
    seconds apart; ``next_field`` is the path of the next page's address in a JSON answer (a Link
    header is followed without it). Of kind ``stac`` is an ``ImageSource``.
    """

    name: Name
    kind: Literal["folder", "http", "stac"] = "folder"
    layout: str
    station: str | None = None
    probe: str | None = None
    path: str = "drop"
    glob: str = "*"
    after: Literal["stay", "move"] = "stay"
    settle_s: Annotated[float, Field(ge=0, le=86400)] = 60.0
    max_mb: Annotated[float, Field(gt=0, le=65536)] = 512.0
    url: str | None = None
    headers: dict[str, str] = Field(default_factory=dict)
    time_format: str = "%Y-%m-%dT%H:%M:%SZ"
    overlap_h: Annotated[float, Field(ge=0, le=24 * 366)] = 24.0
    begin: date | None = None
    timeout_s: Annotated[float, Field(gt=0, le=3600)] = 60.0
    size_limit_mb: Annotated[float, Field(gt=0, le=4096)] = 256.0
    tries: Annotated[int, Field(ge=1, le=20)] = 5
    piece_d: Annotated[float | None, Field(gt=0, le=3660)] = None
    pause_s: Annotated[float, Field(ge=0, le=3600)] = 1.0
    next_field: str | None = None

    @model_validator(mode="after")
    def _check_kind(self) -> Source:
        if self.kind == "http" and not self.url:
            raise ValueError("an http source needs url")
        if self.kind == "folder" and self.url:
            raise ValueError("url belongs to kind = 'http'")
        return self


class Normals(Strict):
    """[normals]: the long record or the table that 'normal' comes from."""

    station: str | None = None
    table: str | None = None
    years: tuple[int, int] = (1991, 2020)

    @model_validator(mode="after")
    def _check_origin_and_years(self) -> Normals:
        if bool(self.station) == bool(self.table):
            raise ValueError(
                "give station (a long daily record) or table (a file of monthly normals), one of them"
            )
        if self.years[1] < self.years[0]:
            raise ValueError("the second year is before the first")
        return self


def _check_cron(value: str) -> str:
    try:
        CronSim(value, datetime(2000, 1, 1))  # noqa: DTZ001 - only whether it can be read
    except CronSimError as error:
        raise ValueError(
            f"{str(error).lower()}; expected a cron expression: minute, hour, day of the month, "
            "month, day of the week, as in '10 3 * * *' for ten past three every night"
        ) from None
    return value


Cron = Annotated[str, AfterValidator(_check_cron)]


class Schedules(Strict):
    """[schedules]: cron expressions in the farm's time zone."""

    collect: Cron = "*/30 * * * *"
    derive: Cron = "10 3 * * *"
    digest: Cron = "0 6 * * 1"
    audit: Cron = "40 3 * * *"


class Backup(Strict):
    """[backup]: where backups go, when, and how many are kept.

    ``to`` is a folder on another disk or a network drive; without a root it is below the farm folder.
    """

    to: Annotated[str, Field(min_length=1)]
    keep: Annotated[int, Field(ge=1, le=1000)] = 7
    schedule: Cron = "20 4 * * *"


Address = Annotated[
    str,
    Field(
        max_length=254,
        pattern=r"^[^@\s<>,;\"]+@[^@\s<>,;\"]+$",
        description="an address such as grower@example.org",
    ),
]


class Reader(Strict):
    """One reader of the digest; without units or ``alerts`` of their own they have the farm's."""

    address: Address
    units: Literal["metric", "us", "canada"] | None = None
    alerts: bool | None = None


class Mail(Strict):
    """[mail]: the server that sends the digest, and its readers.

    With ``alerts`` an instrument that begins to need somebody is mailed the same day, once a cause.

    The password is never here: it comes from the environment (CHECKSTRIP_MAIL_PASSWORD) or from
    the system's keyring (service checkstrip, the user's name).
    """

    server: Annotated[
        str,
        Field(
            min_length=1,
            max_length=253,
            pattern=r"^[^\s/@]+$",
            description="the name of the mail server, such as mail.example.org",
        ),
    ]
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    security: Literal["starttls", "tls", "none"] = "starttls"
    sender: Annotated[Address, Field(alias="from")]
    user: str | None = None
    alerts: bool = False
    readers: Annotated[
        tuple[Reader, ...],
        Field(min_length=1, examples=['readers = [{ address = "grower@example.org" }]']),
    ]

    @property
    def alerted(self) -> tuple[Reader, ...]:
        """Return the readers who want a mail on the day of a finding."""
        return tuple(
            reader
            for reader in self.readers
            if (self.alerts if reader.alerts is None else reader.alerts)
        )

    @model_validator(mode="after")
    def _check_security_and_readers(self) -> Mail:
        near = self.server in ("localhost", "127.0.0.1", "::1")
        if self.security == "none" and not near:
            raise ValueError(
                "security = 'none' is for a server on this computer; use 'starttls' or 'tls'"
            )
        addresses = [reader.address.lower() for reader in self.readers]
        if len(set(addresses)) != len(addresses):
            raise ValueError("a reader's address stands twice")
        return self


class Share(Strict):
    """[share]: what a network learns of this farm.

    ``what``: nothing; pooled (its rows count in answers over many farms and nobody sees them by
    themselves); named (readers see the farm's name, its place on the network's grid, its rows).
    ``money``: whether prices, costs and net are among them.
    """

    what: Literal["nothing", "pooled", "named"] = "nothing"
    money: bool = False


class Network(Strict):
    """[network]: where the shared tables go, a folder or s3://bucket/prefix.

    Its secrets come from the environment: CHECKSTRIP_NETWORK_SECRET, and the store's own keys.
    """

    address: Annotated[str, Field(min_length=1)]


class Rules(Strict):
    """[rules]: settings of the evidence."""

    trace_threshold_mm: Annotated[float, Field(ge=0, le=10)] = 0.2
    event_gap_h: Annotated[float, Field(gt=0, le=240)] = 6.0
    event_least_mm: Annotated[float, Field(ge=0, le=200)] = 5.0
    neighbor_km: Annotated[float, Field(ge=0, le=500)] = 25.0
    discount_rate_pct: Annotated[float, Field(ge=0, le=50)] = 5.0


class CropOverride(Strict):
    """[crops.NAME]: values that replace those of the crop list; a new name needs them all.

    A name of two words is written with a space between them, in quotes: [crops."spring wheat"].
    """

    base_temp_c: float | None = None
    upper_temp_c: float | None = None
    kc_ini: float | None = None
    kc_mid: float | None = None
    kc_end: float | None = None
    stage_initial_d: int | None = None
    stage_development_d: int | None = None
    stage_mid_d: int | None = None
    stage_late_d: int | None = None
    stage_initial_c_d: float | None = None
    stage_development_c_d: float | None = None
    stage_mid_c_d: float | None = None
    stage_late_c_d: float | None = None
    root_depth_min_m: float | None = None
    root_depth_max_m: float | None = None
    depletion_share: float | None = None
    bushel_kg: float | None = None
    market_moisture_pct: float | None = None
    price_unit: str | None = None
    source: str | None = None


class Farm(Strict):
    """The whole farm file."""

    farm: About
    place: Place
    station_defaults: StationDefaults | None = None
    probe_defaults: ProbeDefaults | None = None
    stations: tuple[Station, ...] = ()
    probes: tuple[Probe, ...] = ()
    layouts: dict[str, Layout] = Field(default_factory=dict)
    sources: tuple[Source, ...] = ()
    image_sources: tuple[ImageSource, ...] = ()  # [[sources]] with kind = "stac"
    normals: Normals | None = None
    schedules: Schedules = Schedules()
    backup: Backup | None = None
    mail: Mail | None = None
    share: Share = Share()
    network: Network | None = None
    rules: Rules = Rules()
    crops: dict[str, CropOverride] = Field(default_factory=dict)
    fieldbook: str = "fieldbook.xlsx"
    yield_map_headings: dict[str, dict[str, str]] = Field(default_factory=dict)
    image_bands: dict[str, ImageBands] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _write_out(cls, content: Any) -> Any:
        return short_form.written_out(content)

    @field_validator("stations")
    @classmethod
    def _each_station(cls, blocks: tuple[Station, ...]) -> tuple[Station, ...]:
        return tuple(station for block in blocks for station in block.each())

    @field_validator("probes")
    @classmethod
    def _each_probe(cls, blocks: tuple[Probe, ...]) -> tuple[Probe, ...]:
        return tuple(probe for block in blocks for probe in block.each())

    @field_validator("crops")
    @classmethod
    def _with_spaces(cls, crops: dict[str, CropOverride]) -> dict[str, CropOverride]:
        """Take names as older versions had them (spring_wheat) for those of today."""
        names = [name.replace("_", " ") for name in crops]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"the crop {twice[0]} stands twice, with a space and with _")
        return dict(zip(names, crops.values(), strict=True))

    @field_validator("layouts")
    @classmethod
    def _columns_of_each(
        cls, layouts: dict[str, Layout], info: ValidationInfo
    ) -> dict[str, Layout]:
        named = info.data.get("stations", ()), info.data.get("probes", ())
        return {name: layout.for_instruments(*named) for name, layout in layouts.items()}

    @model_validator(mode="after")
    def _check_names(self) -> Farm:
        listed: tuple[tuple[str, tuple[Station | Probe | Source | ImageSource, ...]], ...] = (
            ("stations", self.stations),
            ("probes", self.probes),
            ("sources", (*self.sources, *self.image_sources)),
        )
        for kind, things in listed:
            names = [thing.name for thing in things]
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValueError(f"{kind}: the name {', '.join(twice)} stands twice")
        stations = sorted({station.name for station in self.stations})
        probes = sorted({probe.name for probe in self.probes})
        for source in self.sources:
            who = f"source '{source.name}'"
            _check_named(who, "layout", source.layout, list(self.layouts))
            _check_named(who, "station", source.station, stations)
            _check_named(who, "probe", source.probe, probes)
        self._check_owners()
        if self.normals and self.normals.station:
            _check_named("normals", "station", self.normals.station, stations)
        return self

    def _check_owners(self) -> None:
        """Raise ValueError if a column of a layout names a station or a probe that there is not."""
        for kind, instruments in (("station", self.stations), ("probe", self.probes)):
            names = sorted(one.name for one in instruments)
            words = {w.casefold() for one in instruments for w in (one.name, *one.ids)}
            for layout_name, layout in self.layouts.items():
                for heading, rule in layout.columns.items():
                    owner = rule.owner if rule.instrument.value == kind else None
                    if owner is not None and owner.casefold() not in words:
                        who = f"layout '{layout_name}', column '{heading}'"
                        _check_named(who, kind, owner, names)


def _check_named(who: str, kind: str, name: str | None, known: list[str]) -> None:
    """Raise ValueError if ``who`` names a layout, a station or a probe that the file has not."""
    if name is not None and name not in known:
        raise ValueError(
            f"{who} names {kind} '{name}'; the {kind}s are {', '.join(known) or 'none'}"
        )
