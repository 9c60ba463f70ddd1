"""macOS: a launchd agent of the user. Keys after launchd.plist(5)."""

from __future__ import annotations

import plistlib
from pathlib import Path

from flows.run.service.definition import Definition, Service


def definition(service: Service) -> Definition:
    """The property list, among the user's own agents."""
    path = Path.home() / "Library" / "LaunchAgents" / f"{service.name}.plist"
    content = plistlib.dumps(
        {
            "Label": service.name,
            "ProgramArguments": list(service.command),
            "WorkingDirectory": str(service.root),
            "RunAtLoad": True,
            "KeepAlive": {"SuccessfulExit": False},
            "ThrottleInterval": 60,
            "ExitTimeOut": 60,
            "ProcessType": "Background",
            "StandardOutPath": "/dev/null",
            "StandardErrorPath": str(Path(service.root) / "state" / "logs" / "service.log"),
        },
        sort_keys=False,
    )
    return Definition(
        path=path,
        content=content,
        shown=content.decode(),
        on=(("launchctl", "load", "-w", str(path)),),
        off=(("launchctl", "unload", "-w", str(path)),),
        more=f"It runs while you are logged in. How it does: launchctl list {service.name}",
    )
