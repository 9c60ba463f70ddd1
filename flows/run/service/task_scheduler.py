"""Windows: a task of the Task Scheduler, by its XML schema (learn.microsoft.com, Task Scheduler
Schema, namespace http://schemas.microsoft.com/windows/2004/02/mit/task)."""

from __future__ import annotations

import getpass
import os
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree  # only written, never read

from flows.base.errors import UserError
from flows.run.service.definition import Definition, Service

SPACE = "http://schemas.microsoft.com/windows/2004/02/mit/task"
# Longest path that the schema allows for the command and the working directory.
LONGEST = 260
# The task starts when its user logs on, and is looked after every quarter of an hour: where it runs
# already nothing happens.
_LOOK = "PT15M"
_LONG_AGO = "2020-01-01T00:00:00"


def definition(service: Service) -> Definition:
    """The task, written into the farm folder for ``schtasks`` to take from there.

    Raises UserError where a path is longer than a task may name.
    """
    command, arguments = service.command[0], subprocess.list2cmdline(service.command[1:])
    for name in (command, str(service.root)):
        if len(name) > LONGEST:
            raise UserError(f"{name} is longer than {LONGEST:,} characters, too long for a task.")
    # Without a name the task would be for every user, and want an administrator.
    user = "\\".join(filter(None, (os.environ.get("USERDOMAIN"), getpass.getuser())))
    settings = {
        "RestartOnFailure": {"Interval": "PT1M", "Count": "255"},
        "MultipleInstancesPolicy": "IgnoreNew",
        "DisallowStartIfOnBatteries": "false",
        "StopIfGoingOnBatteries": "false",
        "StartWhenAvailable": "true",
        "ExecutionTimeLimit": "PT0S",
    }
    parts = {
        "RegistrationInfo": {"Description": f"Checkstrip for {service.farm}"},
        "Triggers": {
            "LogonTrigger": {"Enabled": "true", "UserId": user, "Delay": "PT1M"},
            "TimeTrigger": {
                "Enabled": "true",
                "StartBoundary": _LONG_AGO,
                "Repetition": {"Interval": _LOOK},
            },
        },
        "Principals": {
            "Principal": {
                "UserId": user,
                "LogonType": "InteractiveToken",
                "RunLevel": "LeastPrivilege",
            }
        },
        "Settings": settings,
        "Actions": {
            "Exec": {
                "Command": command,
                "Arguments": arguments,
                "WorkingDirectory": str(service.root),
            }
        },
    }
    root = ElementTree.Element("Task", {"version": "1.3", "xmlns": SPACE})
    _grow(root, parts)
    ElementTree.indent(root)
    path = Path(service.root) / "state" / f"{service.name}.xml"
    task = f"Checkstrip\\{service.name}"
    return Definition(
        path=path,
        content=ElementTree.tostring(root, encoding="utf-16", xml_declaration=True),
        shown=ElementTree.tostring(root, encoding="unicode"),
        on=(
            ("schtasks", "/Create", "/TN", task, "/XML", str(path), "/F"),
            ("schtasks", "/Run", "/TN", task),
        ),
        off=(
            ("schtasks", "/End", "/TN", task),
            ("schtasks", "/Delete", "/TN", task, "/F"),
        ),
        more=f'It runs while you are logged on. How it does: schtasks /Query /V /FO LIST /TN "{task}"',
    )


def _grow(above: ElementTree.Element, parts: Mapping[str, Any]) -> None:
    for name, content in parts.items():
        below = ElementTree.SubElement(above, name)
        if isinstance(content, str):
            below.text = content
        else:
            _grow(below, content)
