"""Linux: a systemd user unit. Syntax after systemd.unit(5), systemd.service(5), systemd.syntax(7)."""

from __future__ import annotations

import os
from pathlib import Path

from flows.run.service.definition import Definition, Service


def definition(service: Service) -> Definition:
    """The unit, below the user's own configuration."""
    config = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    unit = f"{service.name}.service"
    text = f"""\
[Unit]
Description=Checkstrip for {_plain(service.farm)}
StartLimitIntervalSec=0

[Service]
Type=exec
ExecStart={" ".join(map(quoted, service.command))}
WorkingDirectory={_plain(str(service.root))}
KillSignal=SIGINT
TimeoutStopSec=60
Restart=on-failure
RestartSec=60

[Install]
WantedBy=default.target
"""
    return Definition(
        path=config / "systemd" / "user" / unit,
        content=text.encode(),
        shown=text,
        on=(
            ("systemctl", "--user", "daemon-reload"),
            ("systemctl", "--user", "enable", "--now", unit),
        ),
        off=(
            ("systemctl", "--user", "disable", "--now", unit),
            ("systemctl", "--user", "daemon-reload"),
        ),
        more=(
            "It runs while you are logged in. To let it run from the start of the computer on, "
            f"type once: loginctl enable-linger\nHow it does: systemctl --user status {unit}"
        ),
    )


def quoted(word: str) -> str:
    """A word of a command line, so that systemd takes it as it is."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("$", "$$")
    return f'"{_plain(escaped)}"'


def _plain(text: str) -> str:
    """Text in which a percent sign stands for itself."""
    return text.replace("%", "%%")
