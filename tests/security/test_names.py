"""Names that are SQL, markup or formulas, carried through everything that is made of them."""

import json
from html.parser import HTMLParser

import pytest
from typer.testing import CliRunner

from flows.cli import app
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import checksum, query, warehouse
from flows.trust.audit.audit import audit
from schemas.catalogue import TABLES
from tests.flows.fieldbooks import book, workbook

STATION = """w'); DROP TABLE weather_day; --"<script>alert(1)"""
PROBE = """p" OR 1=1; DELETE FROM soil_day WHERE '' = '"""
SOURCE = """s'"><img src=x onerror=alert(1)>"""
FIELD = """Home'"; DROP TABLE field; --</td><script>alert(2)</script>"""
CROP = """wheat'"); ATTACH 'x.db'; --<svg onload=alert(3)>"""
FARM = """Farm</title><script>alert(4)</script>'; DROP SCHEMA main"""
COLUMN = """T'"; DROP TABLE delivery; --<b onclick=x>"""

FIELD_ = FIELD.replace("/", "|")


def toml(text):
    """A basic string or quoted key of TOML."""
    return json.dumps(text)


TOML = f"""
[farm]
name = {toml(FARM)}
[place]
latitude = 50
longitude = -100
elevation_m = 300
time_zone = "America/Winnipeg"
[[stations]]
name = {toml(STATION)}
spells = [{{field = {toml(FIELD_)}, strip = "treated", from = 2021-04-01}}]
[[probes]]
name = {toml(PROBE)}
sensors = [{{depth_cm = 10}}, {{depth_cm = 30}}]
spells = [{{field = {toml(FIELD_)}, strip = "treated", from = 2021-04-01}}]
[layouts."l'; --"]
step = "1 h"
time = {{columns = ["t"], offset = "-06:00"}}
[layouts."l'; --".columns]
{toml(COLUMN)} = {{quantity = "air_temp"}}
R = {{quantity = "rain"}}
S1 = {{quantity = "vwc", depth_cm = 10}}
S2 = {{quantity = "vwc", depth_cm = 30}}
[[sources]]
name = {toml(SOURCE)}
layout = "l'; --"
station = {toml(STATION)}
probe = {toml(PROBE)}
settle_s = 0
glob = "*.csv"
[crops.{toml(CROP)}]
"""

FILE = """a'; DROP TABLE quarantine; --<script>.csv"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    root = tmp_path_factory.mktemp("names") / "farm"
    (root / "drop").mkdir(parents=True)
    whole = CROPS.replace("CROP", toml(CROP))
    (root / "farm.toml").write_text(
        TOML.replace(f"[crops.{toml(CROP)}]\n", whole), encoding="utf-8"
    )
    sheets = book()
    for name, rows in sheets.items():
        sheets[name] = [
            [{"Home": FIELD_, "spring wheat": CROP}.get(c, c) for c in row] for row in rows
        ]
    (root / "fieldbook.xlsx").write_bytes(workbook(sheets))
    lines = ['t,"' + COLUMN.replace('"', '""') + '",R,S1,S2']
    for hour in range(24 * 60):
        day, of = divmod(hour, 24)
        stamp = f"2021-{5 + day // 30:02d}-{1 + day % 30:02d} {of:02d}:00"
        rain = 2.4 if hour % 97 == 0 else 0
        lines.append(f"{stamp},{10 + of / 2},{rain},{32 - hour / 200:.2f},{35 - hour / 400:.2f}")
    lines.append("2021-07-01 00:00,<script>alert(5)</script>,0,30,30")
    (root / "drop" / FILE).write_text("\n".join([*lines, ""]), encoding="utf-8")
    made = FarmFolder.at(root)
    steps.turn(made)
    return made


CROPS = """[crops.CROP]
base_temp_c = 0.0
upper_temp_c = 30.0
kc_ini = 0.3
kc_mid = 1.15
kc_end = 0.25
stage_initial_d = 20
stage_development_d = 30
stage_mid_d = 50
stage_late_d = 30
stage_initial_c_d = 200.0
stage_development_c_d = 400.0
stage_mid_c_d = 800.0
stage_late_c_d = 400.0
root_depth_min_m = 0.3
root_depth_max_m = 1.2
depletion_share = 0.55
bushel_kg = 27.2155
market_moisture_pct = 14.5
price_unit = "t"
source = "invented"
"""


def runs_or_loads(name, value):
    inside = value.startswith(("data:", "#", "cid:"))
    return name.startswith("on") or (name in ("src", "href") and not inside)


HARMFUL = {"script", "svg", "iframe", "object", "embed", "b", "link", "base"}


class Tags(HTMLParser):
    """Every tag, and every attribute that runs or loads."""

    def __init__(self):
        super().__init__()
        self.tags, self.runs = set(), []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.runs += [name for name, value in attrs if runs_or_loads(name, str(value))]


def looked_at(html):
    found = Tags()
    found.feed(html)
    return found


def test_all_tables_stand_and_hold_the_names_as_they_are(folder):
    with query.open_published(folder) as con:
        assert set(TABLES) - set(query.tables(con)) <= {"about"}
        assert con.sql("SELECT DISTINCT station FROM weather_day").fetchall() == [(STATION,)]
        assert con.sql("SELECT DISTINCT probe FROM soil_day").fetchall() == [(PROBE,)]
        assert (FIELD_,) in con.sql("SELECT field FROM field").fetchall()
        assert (CROP,) in con.sql("SELECT DISTINCT crop FROM season").fetchall()
        landed = con.sql("SELECT name, source FROM delivery WHERE layout IS NOT NULL")
        assert landed.fetchall() == [(FILE, SOURCE)]
        refused = con.sql("SELECT column_name FROM quarantine WHERE extent = 'value'")
        assert refused.fetchall() == [(COLUMN,)]
        assert con.sql("SELECT count(*) > 0 FROM customary.rain_month").fetchall() == [(True,)]


def test_a_changed_set_up_and_the_same_again(folder):
    toml = folder.farm_toml.read_text(encoding="utf-8")
    before = lines(folder)
    changed = toml.replace('R = {quantity = "rain"}', 'R = {quantity = "rain", unit = "inch"}')
    for text in (changed, toml):
        folder.farm_toml.write_text(text, encoding="utf-8")
        steps.turn(folder)
    assert lines(folder) == before


def lines(folder):
    with warehouse.open_writer(folder) as con:
        return [line for line in checksum.lines(con) if "not in the sum" not in line]


@pytest.mark.parametrize(
    "command",
    [
        ["status"],
        ["tables"],
        ["try"],
        ["explain", "weather_day", STATION, "2021-05-10"],
        ["explain", "season", FIELD_, "2021"],
    ],
)
def test_commands_tell_them_plainly(folder, command):
    said = CliRunner().invoke(app, [command[0], str(folder.root), *command[1:]])
    assert said.exception is None or isinstance(said.exception, SystemExit), said.exception
    assert "Error: Binder" not in said.output
    assert "Parser Error" not in said.output


def test_no_page_runs_or_loads_what_a_name_says(folder):
    steps.digest(folder)
    audited = audit(folder)
    report = CliRunner().invoke(app, ["report", str(folder.root)])
    assert report.exit_code == 0, report.output
    pages = [*folder.digests.rglob("*.html"), *folder.reports.rglob("*.html"), audited.page]
    assert len(pages) >= 3
    for path in pages:
        text = path.read_text(encoding="utf-8")
        found = looked_at(text)
        assert not found.tags & HARMFUL, path
        assert found.runs == [], path
    texts = "".join(p.read_text(encoding="utf-8") for p in pages)
    assert "&lt;script&gt;alert(4)" in texts
    assert not [o for o in audited.outcomes if "could not be checked" in (o.said or "")]


def test_the_watch_can_fail():
    assert looked_at("<p><script>1</script><img src='http://x' onerror=1>").tags >= {"script"}
    assert looked_at("<img src='http://x' onerror=1>").runs == ["src", "onerror"]
