from __future__ import annotations

import os
import plistlib
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from defusedxml import ElementTree

from flows.base.errors import UserError
from flows.farm.folder import FarmFolder
from flows.run.service import install
from flows.run.service.definition import service

NAMES = ["farm", "Hof Süd & Co", '100% "$HOME" \\ <x>', "農場 été", "-", "it's `one`"]


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home of its own, and no system tool but those that a test puts there."""
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    return tmp_path / "home"


@pytest.fixture(params=NAMES)
def farm(tmp_path: Path, request: pytest.FixtureRequest) -> FarmFolder:
    root = tmp_path / request.param
    root.mkdir()
    (root / "farm.toml").write_text("# invented\n")
    return FarmFolder(root)


def test_names_are_plain_and_each_folder_has_its_own(tmp_path: Path) -> None:
    names = {service(FarmFolder(tmp_path / name)).name for name in NAMES}
    names |= {service(FarmFolder(tmp_path / "elsewhere" / name)).name for name in NAMES}
    assert len(names) == 2 * len(NAMES)
    assert all(re.fullmatch(r"checkstrip-[a-z0-9-]+", name) for name in names)
    assert service(FarmFolder(tmp_path / "farm")) == service(FarmFolder(tmp_path / "farm"))


def test_what_is_run_runs_from_anywhere(tmp_path: Path) -> None:
    program = service(FarmFolder(tmp_path)).command[:-2]
    (tmp_path / "flows.py").write_text("raise SystemExit('the wrong one')")
    ran = subprocess.run(
        [*program, "--version"], check=False, cwd=tmp_path, capture_output=True, text=True
    )
    assert (ran.returncode, ran.stdout.split()[0]) == (0, "checkstrip")


# systemd


def unit(folder: FarmFolder) -> dict[str, str]:
    text = install.definition(folder, "linux").content.decode()
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line)


def single(text: str, mark: str) -> str:
    """Each pair of marks as one; a lone one would be the beginning of something else."""
    parts = text.split(mark * 2)
    assert not any(mark in part for part in parts), text
    return mark.join(parts)


def test_systemd_reads_back_the_words_that_were_meant(farm: FarmFolder) -> None:
    # systemd.syntax(7): words in double quotes, with \\ and \" in them; %% and $$ stand for one.
    # shlex reads the same quoting.
    said = unit(farm)
    words = [single(single(w, "%"), "$") for w in shlex.split(said["ExecStart"])]
    assert words == list(service(farm).command)
    assert words[-2:] == ["run", str(farm.root)]
    assert single(said["WorkingDirectory"], "%") == str(farm.root)
    assert single(said["Description"], "%") == f"Checkstrip for {farm.root.name}"
    assert said["KillSignal"] == "SIGINT"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")
def test_systemd_itself_has_no_complaint(farm: FarmFolder, tmp_path: Path) -> None:
    what = install.definition(farm, "linux")
    path = tmp_path / what.path.name
    runtime = tmp_path / "runtime"
    runtime.mkdir(mode=0o700)

    def verify(text: str) -> str:
        path.write_text(text, encoding="utf-8")
        ran = subprocess.run(
            ["systemd-analyze", "--user", "verify", str(path)],
            check=False,
            env={**os.environ, "XDG_RUNTIME_DIR": str(runtime)},
            capture_output=True,
            text=True,
        )
        return f"{ran.stdout}{ran.stderr}" + (f"rc {ran.returncode}" if ran.returncode else "")

    text = what.content.decode()
    assert verify(text) == ""
    assert "NOSUCH" in verify(text.replace("SIGINT", "NOSUCH"))
    assert "quoting" in verify(text.replace('"run"', '"run'))


# launchd


def test_the_property_list_reads_back_as_meant(farm: FarmFolder) -> None:
    what = install.definition(farm, "darwin")
    said = plistlib.loads(what.content)
    assert said["ProgramArguments"] == list(service(farm).command)
    assert said["Label"] == what.path.stem
    # launchd.plist(5): keys and the types of their values.
    names = {
        str: "Label WorkingDirectory ProcessType StandardOutPath StandardErrorPath",
        int: "ThrottleInterval ExitTimeOut",
        bool: "RunAtLoad",
        list: "ProgramArguments",
        dict: "KeepAlive",
    }
    types = {key: kind for kind, keys in names.items() for key in keys.split()}
    assert {key: type(value) for key, value in said.items()} == types
    assert said["KeepAlive"] == {"SuccessfulExit": False}
    assert said["ProcessType"] in {"Background", "Standard", "Adaptive", "Interactive"}


# The structure that http://www.apple.com/DTDs/PropertyList-1.0.dtd lays down, in our words.
PLIST_DTD = """
<!ENTITY % any "(array | data | date | dict | real | integer | string | true | false)">
<!ELEMENT plist %any;> <!ATTLIST plist version CDATA "1.0">
<!ELEMENT array (%any;)*> <!ELEMENT dict (key, %any;)*> <!ELEMENT key (#PCDATA)>
<!ELEMENT string (#PCDATA)> <!ELEMENT data (#PCDATA)> <!ELEMENT date (#PCDATA)>
<!ELEMENT true EMPTY> <!ELEMENT false EMPTY>
<!ELEMENT real (#PCDATA)> <!ELEMENT integer (#PCDATA)>
"""


@pytest.mark.skipif(shutil.which("xmllint") is None, reason="xmllint is not installed")
def test_the_property_list_is_valid_by_its_dtd(farm: FarmFolder, tmp_path: Path) -> None:
    dtd, path = tmp_path / "plist.dtd", tmp_path / "x.plist"
    dtd.write_text(PLIST_DTD)

    def valid(content: bytes) -> bool:
        path.write_bytes(content)
        lint = ["xmllint", "--nonet", "--noout", "--dtdvalid", str(dtd), str(path)]
        return subprocess.run(lint, check=False, capture_output=True).returncode == 0

    content = install.definition(farm, "darwin").content
    assert valid(content)
    assert not valid(content.replace(b"<true/>", b"<yes/>"))


# Task Scheduler

NS = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
BOOLEAN, DURATION = r"true|false|0|1", r"P(\d+D)?(T(\d+H)?(\d+M)?(\d+S)?)?"
STAMP = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d"
TRIGGER = ["Enabled", "StartBoundary", "EndBoundary", "Repetition", "ExecutionTimeLimit"]
# By the XSD on the page "Task Scheduler Schema" of learn.microsoft.com (windows/win32/taskschd),
# for the elements that are used: the children allowed and whether in this order (a sequence) or in
# any (xs:all), the children required, and for a leaf the pattern of its text.
RULES: dict[str, dict[str, Any]] = {
    "Task": {
        "all": "RegistrationInfo Triggers Settings Data Principals Actions",
        "must": "Actions",
    },
    "RegistrationInfo": {
        "all": "URI SecurityDescriptor Source Date Author Version Description Documentation"
    },
    "Triggers": {"any": "BootTrigger TimeTrigger LogonTrigger CalendarTrigger"},
    "LogonTrigger": {"sequence": [*TRIGGER, "UserId", "Delay"]},
    "TimeTrigger": {"sequence": [*TRIGGER, "RandomDelay"]},
    "Repetition": {"all": "Interval Duration StopAtDurationEnd", "must": "Interval"},
    "Principals": {"sequence": ["Principal"], "must": "Principal"},
    "Principal": {
        "all": "UserId LogonType GroupId DisplayName RunLevel ProcessTokenSidType RequiredPrivileges"
    },
    "Settings": {
        "all": "AllowStartOnDemand RestartOnFailure MultipleInstancesPolicy "
        "DisallowStartIfOnBatteries StopIfGoingOnBatteries AllowHardTerminate StartWhenAvailable "
        "NetworkProfileName RunOnlyIfNetworkAvailable WakeToRun Enabled Hidden "
        "DeleteExpiredTaskAfter IdleSettings NetworkSettings ExecutionTimeLimit Priority "
        "RunOnlyIfIdle UseUnifiedSchedulingEngine DisallowStartOnRemoteAppSession"
    },
    "RestartOnFailure": {"all": "Interval Count", "must": "Interval Count"},
    "Actions": {"any": "Exec ComHandler SendEmail ShowMessage"},
    "Exec": {"all": "Command Arguments WorkingDirectory", "must": "Command"},
    "Description": {"text": r"[\s\S]*"},
    "Arguments": {"text": r"[\s\S]*"},
    "UserId": {"text": r"[\s\S]+"},
    "Command": {"text": r"[\s\S]{1,260}"},
    "WorkingDirectory": {"text": r"[\s\S]{1,260}"},
    "Count": {"text": r"[1-9]\d?|1\d\d|2[0-4]\d|25[0-5]"},
    "LogonType": {"text": "S4U|Password|InteractiveToken|InteractiveTokenOrPassword"},
    "RunLevel": {"text": "LeastPrivilege|HighestAvailable"},
    "MultipleInstancesPolicy": {"text": "Parallel|Queue|IgnoreNew|StopExisting"},
    "StartBoundary": {"text": STAMP},
    "Enabled": {"text": BOOLEAN},
    "DisallowStartIfOnBatteries": {"text": BOOLEAN},
    "StopIfGoingOnBatteries": {"text": BOOLEAN},
    "StartWhenAvailable": {"text": BOOLEAN},
    **{name: {"text": DURATION} for name in ("Interval", "Delay", "ExecutionTimeLimit")},
}


def faults(element: Any) -> list[str]:
    name = element.tag.removeprefix(NS)
    rule = RULES.get(name)
    if rule is None or not element.tag.startswith(NS):
        return [f"{element.tag} is not known"]
    below = [child.tag.removeprefix(NS) for child in element]
    if "text" in rule:
        fits = not below and re.fullmatch(rule["text"], element.text or "")
        return [] if fits else [f"{name} may not be {element.text!r}"]
    found = [f"{name} needs {m}" for m in rule.get("must", "").split() if m not in below]
    if "sequence" in rule:
        places = [rule["sequence"].index(b) if b in rule["sequence"] else -1 for b in below]
        if -1 in places or places != sorted(set(places)):
            found.append(f"{name} may not hold {below} in this order")
    else:
        allowed = (rule.get("all") or rule["any"]).split()
        twice = "all" in rule and len(set(below)) < len(below)
        if twice or not set(below) <= set(allowed):
            found.append(f"{name} may not hold {below}")
    return found + [fault for child in element for fault in faults(child)]


def windows_words(line: str) -> list[str]:
    """A command line taken apart as the C runtime of Windows does ('Parsing C command-line
    arguments', learn.microsoft.com): backslashes count only before a quotation mark."""
    words, word, inside, begun, at = [], "", False, False, 0
    while at < len(line):
        slashes = len(line[at:]) - len(line[at:].lstrip("\\"))
        after = line[at + slashes : at + slashes + 1]
        if slashes and after == '"':
            word, begun, at = word + "\\" * (slashes // 2), True, at + slashes
            if slashes % 2:
                word, at = word + '"', at + 1
        elif slashes:
            word, begun, at = word + "\\" * slashes, True, at + slashes
        elif after == '"':
            inside, begun, at = not inside, True, at + 1
        elif after in " \t" and not inside:
            words, word, begun, at = words + [word] * begun, "", False, at + 1
        else:
            word, begun, at = word + after, True, at + 1
    return words + [word] * begun


def test_the_task_keeps_to_the_published_schema(farm: FarmFolder) -> None:
    what = install.definition(farm, "win32")
    assert what.content.startswith((b"\xff\xfe", b"\xfe\xff"))
    root = ElementTree.fromstring(what.content)
    assert root.get("version") == "1.3"
    assert faults(root) == []
    (words,) = (e.text for e in root.iter(f"{NS}Arguments"))
    (command,) = (e.text for e in root.iter(f"{NS}Command"))
    assert [command, *windows_words(words)] == list(service(farm).command)
    (place,) = (e.text for e in root.iter(f"{NS}WorkingDirectory"))
    assert place == str(farm.root)


def test_the_rules_tell_a_wrong_task(tmp_path: Path) -> None:
    text = install.definition(FarmFolder(tmp_path / "farm"), "win32").content.decode("utf-16")
    text = text.replace('encoding="utf-16"', 'encoding="utf-8"')
    text = re.sub(r"<\?xml.*?\?>", "", text)
    for was, wrong in (
        ("PT15M", "15 minutes"),
        ("<Count>255", "<Count>256"),
        ("IgnoreNew", "Ignore"),
        ("StopIfGoingOnBatteries", "StopOnBatteries"),
        ("<Command>", "<Command>" + "x" * 261),
        ("<Delay>PT1M</Delay>", "<Delay>PT1M</Delay><Enabled>true</Enabled>"),
    ):
        assert was in text
        assert faults(ElementTree.fromstring(text.replace(was, wrong)))


def test_a_path_too_long_for_a_task_and_a_line_break_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="too long for a task"):
        install.definition(FarmFolder(tmp_path / ("x" * 250)), "win32")
    with pytest.raises(UserError, match="control character"):
        service(FarmFolder(tmp_path / "two\nlines"))


# install, remove


def tool(home: Path, monkeypatch: pytest.MonkeyPatch, name: str, script: str) -> None:
    path = home / "bin" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(0o755)
    monkeypatch.setenv("PATH", f"{path.parent}:/usr/bin:/bin")


@pytest.mark.skipif(sys.platform != "linux", reason="of Linux")
def test_install_and_remove(farm: FarmFolder, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tool(home, monkeypatch, "systemctl", f'echo "$@" >> "{home}/called"')
    done = install.install(farm)
    path = install.definition(farm).path
    assert path.is_relative_to(home)
    assert path.read_bytes() == install.definition(farm).content
    assert not done.left_to_type
    assert "enable-linger" in "\n".join(done.sentences)
    called = (home / "called").read_text().splitlines()
    assert called == ["--user daemon-reload", f"--user enable --now {path.name}"]
    assert "it is there" in install.show(farm)
    assert not install.remove(farm).left_to_type
    assert not path.exists()
    assert f"--user disable --now {path.name}" in (home / "called").read_text()
    assert "No service is installed" in install.remove(farm).sentences[0]


@pytest.mark.skipif(sys.platform != "linux", reason="of Linux")
def test_where_the_system_refuses_the_rest_is_left_to_be_typed(
    tmp_path: Path, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "farm").mkdir()
    farm = FarmFolder(tmp_path / "farm")
    tool(home, monkeypatch, "systemctl", "echo 'Failed to connect to bus' >&2; exit 1")
    done = install.install(farm)
    said = "\n".join(done.sentences)
    assert done.left_to_type
    assert "systemctl refused: Failed to connect to bus." in said
    assert "  systemctl --user daemon-reload\n  systemctl --user enable --now" in said
    monkeypatch.setenv("PATH", str(tmp_path))
    assert "There is no systemctl on this computer." in "\n".join(install.install(farm).sentences)
