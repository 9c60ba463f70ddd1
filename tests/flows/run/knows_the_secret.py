"""What the scheduler's server answers to who knows its secret, said in JSON.

``python -m tests.flows.run.knows_the_secret FOLDER``
"""

import asyncio
import json
import os
import sys
from pathlib import Path

import httpx

from flows.farm.folder import FarmFolder
from flows.run import serve


def answers(port: int) -> dict[str, object]:
    """Ask pages, events both ways, and for other origins."""
    from prefect.events import Event
    from prefect.events.clients import PrefectEventsClient, PrefectEventSubscriber

    address = f"http://127.0.0.1:{port}"
    known = json.loads(os.environ["PREFECT_CLIENT_CUSTOM_HEADERS"])
    told: dict[str, object] = {"its address": address}
    for path in ("docs", "health", "version"):
        told[path] = httpx.get(f"{address}/api/{path}", headers=known).status_code
    for name, origin in (("its own", address), ("another", "http://elsewhere.example")):
        answer = httpx.get(f"{address}/api/version", headers=known | {"Origin": origin})
        told[f"{name} origin"] = answer.headers.get("access-control-allow-origin")

    async def events() -> None:
        async with PrefectEventsClient() as client:
            await client.emit(Event(event="looked", resource={"prefect.resource.id": "test"}))
            told["events in"] = "open"
        async with PrefectEventSubscriber():
            told["events out"] = "open"

    asyncio.run(events())
    return told


if __name__ == "__main__":
    with serve.server(FarmFolder(Path(sys.argv[1]))) as its_port:
        said = answers(its_port)
    print(json.dumps(said))
