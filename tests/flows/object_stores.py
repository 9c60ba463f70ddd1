"""Stores for tests: a folder, and an S3-compatible server in a thread of the test's process.

The server takes one request at a time, so that its conditional writes are as atomic as a real store's.
"""

import logging
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import httpx
import pytest
from moto.server import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import WSGIRequestHandler, make_server

ENVIRONMENT = {
    "AWS_ACCESS_KEY_ID": "invented",
    "AWS_SECRET_ACCESS_KEY": "invented",
    "AWS_REGION": "us-east-1",
    "AWS_ALLOW_HTTP": "true",
}


class _Silent(WSGIRequestHandler):
    def log(self, type, message, *args):
        """Say nothing."""


@contextmanager
def s3_server(host: str = "127.0.0.1") -> Iterator[str]:
    """Serve S3 on an address of this computer and let this process and its children use it; yield its address."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    app = DomainDispatcherApplication(create_backend_app)
    server = make_server(host, 0, app, threaded=False, request_handler=_Silent)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    at = f"http://{host}:{server.server_port}"
    before = {name: os.environ.get(name) for name in (*ENVIRONMENT, "AWS_ENDPOINT_URL")}
    os.environ |= {**ENVIRONMENT, "AWS_ENDPOINT_URL": at}
    try:
        yield at
    finally:
        for name, value in before.items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value
        server.shutdown()
        server.server_close()
        thread.join()


def new_address(kind: str, server: str, folder: Path) -> str:
    """Return the address of a new, empty store: a folder, or a bucket of the server."""
    name = f"network-{uuid4().hex[:12]}"
    if kind == "folder":
        (folder / name).mkdir()
        return str(folder / name)
    httpx.put(f"{server}/{name}").raise_for_status()
    return f"s3://{name}/one"


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    with s3_server() as at:
        yield at


@pytest.fixture(params=["folder", "s3"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty store, of each kind."""
    server = request.getfixturevalue("server") if request.param == "s3" else ""
    return new_address(request.param, server, tmp_path)
