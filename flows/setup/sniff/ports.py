"""Columns of a logger's numbered ports: which port each is of, and one question for all their depths."""

from __future__ import annotations

import re
from collections.abc import Iterable

from flows.base.plain_text import counted

PORT = re.compile(
    r"^(.*?)\bport[ _.#-]*(\d{1,2})(?![\d.])(?!\s*(?:cm|mm|m|in|inch|inches|ft)\b)(.*)$",
    re.IGNORECASE,
)
LEAST = 2  # so many ports make a numbering; one may be the name of a place
LABEL = "port "


def numbered(names: Iterable[str]) -> dict[str, tuple[str, str]]:
    """Return the headings of ports, each as what it says beside the port, and ``port 3``.

    A heading that says nothing else is none: what its numbers are must be asked.
    """
    found: dict[str, tuple[str, str]] = {}
    for name in names:
        hit = PORT.match(name)
        rest = f"{hit[1]} {hit[3]}".strip(" _.:,;-") if hit else ""
        if hit and rest:
            found[name] = rest, f"{LABEL}{int(hit[2])}"
    return found if len({port for _, port in found.values()}) >= LEAST else {}


def question(labels: Iterable[str]) -> str:
    """Return the question about the depths of ports by their labels, in the order of their numbers."""
    ports = sorted(set(labels), key=lambda label: int(label.removeprefix(LABEL)))
    first, last = ports[0], ports[-1]
    return (
        f"the headings number the {counted(len(ports), 'port')}, not their depths: at which depths are the "
        f"sensors of {first} to {last}, in this order? Name the probe's sensors of these depths "
        f"'{first}' to '{last}'"
    )
