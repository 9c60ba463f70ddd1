"""Show a farm's start page in the browser of whoever sits at the computer."""

import os
import sys
import webbrowser
from pathlib import Path


def has_display() -> bool:
    """Return whether a browser window would be seen: a desktop session, not one over ssh."""
    if os.environ.get("SSH_CONNECTION") or os.environ.get("CI"):
        return False
    if sys.platform in {"win32", "darwin"}:
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def show(root: Path) -> None:
    """Open ``index.html`` of the farm folder; nothing happens if there is no browser."""
    webbrowser.open((root.expanduser().resolve() / "index.html").as_uri())
