"""The PostgreSQL that a test run works on: the one named, else a container's, else the embedded one."""

import contextlib
import os
import shutil
import socket
import tempfile
import warnings
from pathlib import Path
from urllib.parse import urlsplit

from service.embedded import EmbeddedServer

SETTINGS = {"max_connections": "200", "shared_buffers": "256MB", "max_wal_size": "512MB"}
MEMORY = Path("/dev/shm")
"""Copying the template took 0.02 s here and 0.1 to 0.4 s on disk, with two cores busy."""
MEMORY_WANTED_BYTES = 4 * 1024**3


class SuiteServer:
    """Started at the first `url()`, stopped by `close()`; the one place where fsync may be off."""

    def __init__(self) -> None:
        self._url: str | None = None
        self._stop = contextlib.ExitStack()

    def url(self) -> str:
        """Return the address of a database from which others can be made; EmbeddedUnavailable where there is none."""
        if self._url is None:
            self._url = os.environ.get("TEST_DATABASE_URL") or self._container() or self._embedded()
        return self._url

    def close(self) -> None:
        self._stop.close()
        self._url = None

    def _container(self) -> str | None:
        """Return the address of a PostgreSQL in a container, or None where there is no engine or no image."""
        if not engine_answers(os.environ.get("DOCKER_HOST", "unix:///var/run/docker.sock"), within_s=1.0):
            return None
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                from docker.errors import DockerException
                from testcontainers.postgres import PostgresContainer
            except ImportError:
                return None
            try:
                container = self._stop.enter_context(PostgresContainer("postgres:18-alpine", driver=None))
            except DockerException:
                return None
            return str(container.get_connection_url())

    def _embedded(self) -> str:
        roomy = MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > MEMORY_WANTED_BYTES
        data = make_data_folder(MEMORY if roomy else Path("/var/tmp"))
        self._stop.callback(shutil.rmtree, data, ignore_errors=True)
        server = self._stop.enter_context(EmbeddedServer(data, fsync=False, settings=SETTINGS))
        return server.dsn


def make_data_folder(above: Path = Path("/var/tmp")) -> Path:
    """Make an empty folder that the server's account can reach, which pytest's own temporary folders are not."""
    return Path(tempfile.mkdtemp(prefix="spindle-ledger-test-", dir=above if above.is_dir() else None))


def engine_answers(address: str, *, within_s: float) -> bool:
    """Say whether a container engine at a `unix://` or `tcp://` address answers its ping in time."""
    parts = urlsplit(address)
    try:
        if parts.scheme == "unix":
            wire = socket.socket(socket.AF_UNIX)
            place: str | tuple[str, int] = parts.path
        elif parts.scheme == "tcp" and parts.hostname and parts.port:
            wire = socket.socket()
            place = (parts.hostname, parts.port)
        else:
            return False
        with wire:
            wire.settimeout(within_s)
            wire.connect(place)
            wire.sendall(b"GET /_ping HTTP/1.1\r\nHost: engine\r\nConnection: close\r\n\r\n")
            return b" 200 " in wire.recv(64)
    except OSError:
        return False
