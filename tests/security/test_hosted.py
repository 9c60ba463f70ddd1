"""A farm that a host runs among others reaches its own folder, its own secrets and the open network only.

Each of these worked before farms were confined: farm b took farm a's files, and sent its token to itself.
"""

from __future__ import annotations

import shutil
import socket
import sys
from pathlib import Path

import keyring
import pytest
from keyring.backend import KeyringBackend

from flows.base.errors import UserError
from flows.farm import bounds, farm_file
from flows.farm.bounds import Bounds
from flows.farm.folder import FarmFolder
from flows.intake import collect
from flows.pages.mail import send
from flows.run import steps
from flows.store import warehouse
from schemas.farm.farm import Mail
from tests.faults import farms
from tests.flows.intake.sources.loopback import reply, serving

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="farms are hosted on POSIX systems")

WEB = """
[[sources]]
name = "web"
kind = "http"
layout = "hourly"
station = "west"
url = "{url}"
headers = {{Authorization = "env:{token}"}}
tries = 1
timeout_s = 5
"""
SECRETS = """
servers = ["127.0.0.1"]
[secrets.a]
TOKEN = "TOKEN_OF_A"
[secrets.b]
TOKEN = "TOKEN_OF_B"
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("made")
    for name in ("a", "b"):
        farms.make(root / name)
    (root / "b" / "fieldbook").rename(root / "b" / "own book")
    for file in (root / "b" / "drop").iterdir():
        file.unlink()
    return root


@pytest.fixture
def hosted(made: Path, tmp_path: Path) -> Path:
    """Two farms below a folder with hosting.toml; farm b has no files of its own."""
    root = tmp_path / "farms"
    shutil.copytree(made, root)
    (root / bounds.NAME).write_text("")
    return root


def named(root: Path, key: str, path: str) -> None:
    """Let farm b name a path."""
    toml = (root / "b" / "farm.toml").read_text()
    text = path.replace("\\", "\\\\")
    if key == "fieldbook":
        toml = f'fieldbook = "{text}"\n{toml}'
    elif key == "sources.west.path":
        toml = toml.replace('glob = "west*"', f'glob = "west*"\npath = "{text}"')
    else:
        part, _, name = key.partition(".")
        toml += f'\n[{part}]\n{name} = "{text}"\n'
    (root / "b" / "farm.toml").write_text(toml)


@pytest.mark.parametrize("key", ["sources.west.path", "fieldbook", "normals.table", "backup.to"])
@pytest.mark.parametrize(
    "path",
    [
        "../a/drop",
        "drop/../../a/drop",
        "/ABSOLUTE/a/drop",
        "~/drop",
        "//s/share",
        "\\\\s\\share",
        "C:\\x",
    ],
)
def test_no_key_names_a_path_outside(hosted: Path, key: str, path: str) -> None:
    named(hosted, key, path.replace("/ABSOLUTE", str(hosted)))
    folder = FarmFolder.at(hosted / "b")
    with pytest.raises(UserError, match=rf"{key}: found .* since this farm is hosted") as told:
        collect.collect(folder)
    assert str(folder.farm_toml) in str(told.value)
    assert not list(folder.archive.glob("*/*"))  # nothing was taken
    (hosted / bounds.NAME).unlink()
    farm_file.load(folder.farm_toml)  # of a farm of its own nothing is asked


@pytest.mark.parametrize("path", ["here/..", "here/../a/drop"])
def test_no_way_back_over_a_link_leads_outside(hosted: Path, path: str) -> None:
    """The link leads to the farm folder itself, which is allowed; what is above it is not."""
    (hosted / "b" / "here").symlink_to(".")
    named(hosted, "sources.west.path", path)
    with pytest.raises(UserError, match=r"sources.west.path: found 'here"):
        collect.collect(FarmFolder.at(hosted / "b"))


def test_without_a_host_the_other_farms_files_land(hosted: Path) -> None:
    """What the other tests refuse would work: else they would prove nothing."""
    (hosted / bounds.NAME).unlink()
    named(hosted, "sources.west.path", "../a/drop")
    assert collect.collect(FarmFolder.at(hosted / "b")).landed > 50


def test_its_own_folders_are_named_as_ever(hosted: Path) -> None:
    shutil.copytree(hosted / "a" / "drop", hosted / "b" / "in" / "deep")
    named(hosted, "sources.west.path", "in/deep/../deep")
    named(hosted, "fieldbook", "own book")
    named(hosted, "backup.to", "backups")
    assert collect.collect(FarmFolder.at(hosted / "b")).landed > 50


@pytest.mark.parametrize(
    ("link", "to"),
    [
        *(
            ("drop", "a/drop"),
            ("drop/west log.csv", "a/drop/west log.csv"),
            ("farm.toml", "a/farm.toml"),
        ),
        *(("fieldbook", "a/fieldbook"), ("fieldbook.xlsx", "a/farm.toml"), ("normals", "a")),
        *(
            ("yieldmaps", "a"),
            ("images/x", "a"),
            ("ground/soil.tif", "a/farm.toml"),
            ("backups", "a"),
        ),
        *(("archive", "a/archive"), ("warehouse", "a/warehouse"), ("state", "a/state")),
        ("drop/deep/deeper/x.csv", "a/drop/west log.csv"),
    ],
)
def test_no_link_leads_outside(hosted: Path, link: str, to: str) -> None:
    path = hosted / "b" / link
    if path.is_dir():
        shutil.rmtree(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    path.symlink_to(hosted / to)
    before = sorted((hosted / "a").rglob("*"))
    with pytest.raises(UserError, match=f"The farm b is hosted, and links .*{link}"):
        steps.turn(FarmFolder.at(hosted / "b"))
    assert sorted((hosted / "a").rglob("*")) == before


def test_a_link_inside_of_the_farm_is_its_own_business(hosted: Path) -> None:
    (hosted / "b" / "fieldbook").symlink_to(hosted / "b" / "own book")
    (hosted / "b" / "circle").symlink_to("circle2")
    (hosted / "b" / "circle2").symlink_to("nowhere")
    assert collect.collect(FarmFolder.at(hosted / "b")).books == []


def test_a_farm_gets_no_other_farms_secret(hosted: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (hosted / bounds.NAME).write_text(SECRETS)
    for name in "AB":
        monkeypatch.setenv(f"TOKEN_OF_{name}", f"secret of {name}")
    got, notes = [], {}
    for farm, asked in (("a", "TOKEN"), ("b", "TOKEN"), ("b", "TOKEN_OF_A"), ("b", "HOME")):
        with serving(lambda h: (got.append(h.headers["Authorization"]), reply(h, b"t,T\n"))) as (
            url,
            _,
        ):
            toml = hosted / farm / "farm.toml"
            kept = toml.read_text()
            toml.write_text(kept + WEB.format(url=url, token=asked))
            notes[asked] = collect.collect(FarmFolder.at(hosted / farm)).notes
            toml.write_text(kept)
    assert got == ["secret of A", "secret of B"]
    for asked in ("TOKEN_OF_A", "HOME"):
        assert any(
            f"the host gave this farm no {asked} (secrets in hosting" in n for n in notes[asked]
        )


def own_address() -> str:
    """The address by which this computer is known outside, if it has one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))
        except OSError:
            return "127.0.0.3"
        return str(asked.getsockname()[0])


@pytest.mark.parametrize(
    "host",
    [
        "127.0.0.1",
        "localhost",
        "0.0.0.0",
        "2130706433",
        "0x7f.1",
        "[::1]",
        "[::ffff:127.0.0.1]",
        "OWN",
    ],
)
def test_nothing_on_the_hosts_own_network_is_asked(hosted: Path, host: str) -> None:
    with serving(lambda h: reply(h, b"t,T\n")) as (url, asked):
        there = url.replace("127.0.0.1", host.replace("OWN", own_address()))
        toml = hosted / "b" / "farm.toml"
        toml.write_text(toml.read_text() + WEB.format(url=there, token="X").replace("env:X", "y"))
        notes = collect.collect(FarmFolder.at(hosted / "b")).notes
        assert any("which a hosted farm does not ask" in note for note in notes), notes
        assert asked == []


def test_a_name_that_changes_its_address_is_found_out(
    hosted: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The name resolves to an address far away while it is looked at, and to this computer after."""
    far = [(socket.AF_INET, socket.SOCK_STREAM, 6, "", ("9.9.9.9", 0))]
    monkeypatch.setattr(bounds, "socket", _Resolver(far))
    with serving(lambda h: reply(h, b"t,T\n")) as (url, asked):
        toml = hosted / "b" / "farm.toml"
        there = url.replace("127.0.0.1", "localhost")
        toml.write_text(toml.read_text() + WEB.format(url=there, token="X").replace("env:X", "y"))
        notes = collect.collect(FarmFolder.at(hosted / "b")).notes
        assert any("localhost is a computer of the host" in note for note in notes), notes
        assert asked == []


class _Resolver:
    """The module ``socket`` of the look before, which is led astray; connections use the real one."""

    SOCK_STREAM = socket.SOCK_STREAM

    def __init__(self, found: list[object]) -> None:
        self._found = found

    def getaddrinfo(self, *_: object, **__: object) -> list[object]:
        return self._found


class _Known(KeyringBackend):
    priority = -9.0  # type: ignore[assignment]  # defined is registered: no other test may get it

    def get_password(self, service: str, username: str) -> str:
        return "of the host"

    def set_password(self, service: str, username: str, password: str) -> None: ...


MAIL = {
    **{"server": "localhost", "port": 9, "security": "none", "from": "a@b.example", "user": "u"},
    "readers": [{"address": "c@d.example"}],
}


def test_mail_has_the_same_bounds(hosted: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mail, own = Mail.model_validate(MAIL), Bounds(hosted, None)
    monkeypatch.setenv(send.PASSWORD, "of the host")
    before = keyring.get_keyring()
    keyring.set_keyring(_Known())
    try:
        assert send.password(mail, own) == "of the host"
        assert send.password(mail, Bounds.of(hosted / "b")) is None
        monkeypatch.delenv(send.PASSWORD)
        assert send.password(mail, own) == "of the host"
        assert send.password(mail, Bounds.of(hosted / "b")) is None
    finally:
        keyring.set_keyring(before)
    (hosted / bounds.NAME).write_text('[secrets.b]\nCHECKSTRIP_MAIL_PASSWORD = "MAIL_OF_B"\n')
    monkeypatch.setenv("MAIL_OF_B", "of b")
    assert send.password(mail, Bounds.of(hosted / "b")) == "of b"
    assert send.password(mail, Bounds.of(hosted / "a")) is None
    assert "localhost is a computer of the host" in send.trouble(mail, Bounds.of(hosted / "b"))
    assert "Connection refused" in send.trouble(mail, own)


def test_a_mistake_in_hosting_toml_is_named_and_nothing_runs(hosted: Path) -> None:
    (hosted / bounds.NAME).write_text("[limits]\ntime_s = -1\nmemory = 3\n")
    with pytest.raises(
        UserError, match=r"(?s)hosting.toml has faults.*limits.time_s: found -1.*limits.memory"
    ):
        FarmFolder.at(hosted / "b")
    (hosted / bounds.NAME).write_text("[limits\n")
    with pytest.raises(UserError, match="not valid TOML"):
        FarmFolder.at(hosted / "b")


def test_what_a_hosted_farm_makes_is_what_the_farm_alone_makes(
    hosted: Path, made: Path, tmp_path: Path
) -> None:
    said = []
    shutil.copytree(made / "a", tmp_path / "alone")
    for root in (hosted / "a", tmp_path / "alone"):
        folder = FarmFolder.at(root)
        collect.collect(folder)
        with warehouse.open_writer(folder) as con:
            said.append(con.sql("SELECT count(*) FROM weather_reading").fetchall())
    assert said[0] == said[1] != [(0,)]
