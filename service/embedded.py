"""A supervised PostgreSQL for laptops and tests: it starts, serves and ends with the process that holds it.

Rules of this file: the server is started from the main thread, because the kernel's death signal follows the thread
that forked; it has a session of its own, so that Ctrl-C reaches the service first; it is asked to stop with SIGINT; it
listens on a Unix socket in a private folder and nowhere else, which is why that socket asks for no password.
"""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType, TracebackType
from urllib.parse import quote

from service.embedded_account import (
    CHILD_ENVIRONMENT,
    CHILD_FOLDER,
    Account,
    EmbeddedUnavailable,
    command_as,
    run_as,
    server_account,
)
from service.embedded_binaries import Binaries, installed_binaries, reachable_binaries
from service.embedded_folder import (
    claim_folder,
    default_data_folder,
    give_folder,
    outlive_postmaster,
    prepare_folder,
    refuse_other_major,
    socket_folder,
)

__all__ = ["EmbeddedServer", "EmbeddedUnavailable", "default_data_folder"]

_NAME = "spindle_ledger"
"""Both the database and its owner."""
_READY_S = 300.0
"""Recovery after a kill under load takes as long as its log; past this something else is wrong."""
_ORPHANS_S = 30.0
"""How long the backends of a killed postmaster may keep its shared memory."""
_FAST_S = 60.0
_IMMEDIATE_S = 20.0
_LOG_BYTES = 16 * 1024 * 1024
_NO_SETTINGS: Mapping[str, str] = MappingProxyType({})


class EmbeddedServer:
    """A PostgreSQL on `data` from `__enter__` to `__exit__`, whichever way this process ends.

    `fsync=False` is for the suite's own throwaway server only. `settings` are PostgreSQL's, by name. Entering raises
    EmbeddedUnavailable with a sentence for the operator, and `exit_status` 2 where another process uses `data`.
    """

    dsn: str
    pid: int

    def __init__(self, data: Path, *, fsync: bool = True, settings: Mapping[str, str] = _NO_SETTINGS) -> None:
        self.data = data.expanduser().resolve()
        self._fsync = fsync
        self._settings = settings
        self._lock: int | None = None
        self._socket: Path | None = None
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "EmbeddedServer":
        if sys.platform == "win32":
            raise EmbeddedUnavailable("The embedded PostgreSQL needs Unix sockets: set DATABASE_URL on Windows.")
        if threading.current_thread() is not threading.main_thread():
            raise RuntimeError("the server must be started from the main thread: it would end with any other")
        try:
            self._start()
        except BaseException:
            self.stop()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def alive(self) -> bool:
        """Say whether the server runs; the service polls this and ends when it does not."""
        return self._process is not None and self._process.poll() is None

    def stop(self) -> None:
        """Stop the server as it asks to be stopped, and give the data folder back; may be called twice."""
        process = self._process
        if process is not None:
            for how, limit_s in ((signal.SIGINT, _FAST_S), (signal.SIGQUIT, _IMMEDIATE_S)):
                if process.poll() is None:
                    process.send_signal(how)
                    with contextlib.suppress(subprocess.TimeoutExpired):
                        process.wait(limit_s)
        if self._socket is not None:
            with contextlib.suppress(OSError):  # a server that was killed leaves its socket; the next one takes it over
                self._socket.rmdir()
            self._socket = None
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def _start(self) -> None:
        account = server_account()
        installed = installed_binaries()
        prepare_folder(self.data, account)
        self._lock = claim_folder(self.data)
        give_folder(self.data, account)
        refuse_other_major(self.data, installed.major)
        binaries = reachable_binaries(installed, account)
        cluster = self.data / "cluster"
        outlive_postmaster(cluster)
        if not cluster.exists():
            self._make_cluster(binaries, account)
        self._socket = socket_folder(self.data, account)
        self._launch_until_ready(binaries, account)
        self._make_database(binaries, account)
        self.dsn = f"postgresql://{_NAME}@/{_NAME}?host={quote(str(self._socket), safe='/')}&port=5432"

    def _make_cluster(self, binaries: Binaries, account: Account | None) -> None:
        """Run initdb beside the place and rename, so that a cluster is whole or not there."""
        for unfinished in self.data.glob("initdb-*"):
            shutil.rmtree(unfinished, ignore_errors=True)
        staging = self.data / f"initdb-{os.getpid()}"
        flags = [
            *("--pgdata", staging, "--username", _NAME, "--encoding", "UTF8"),
            *("--locale-provider=builtin", "--locale=C.UTF-8", "--data-checksums"),
            *("--auth-local=trust", "--auth-host=reject"),
            *(() if self._fsync else ("--no-sync",)),
        ]
        made = run_as(account, [binaries.program("initdb"), *flags])
        if made.returncode != 0:
            shutil.rmtree(staging, ignore_errors=True)
            raise EmbeddedUnavailable(f"PostgreSQL's data could not be made in {self.data}: {_last_line(made.stderr)}")
        staging.rename(self.data / "cluster")
        folder = os.open(self.data, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def _launch_until_ready(self, binaries: Binaries, account: Account | None) -> None:
        end = time.monotonic() + _ORPHANS_S
        while True:
            self._launch(binaries, account)
            said = self._await_ready()
            if said is None:
                return
            orphans = "pre-existing shared memory block" in said or '"postmaster.pid" already exists' in said
            if not orphans or time.monotonic() > end:
                raise EmbeddedUnavailable(
                    f"PostgreSQL did not start on {self.data}: {_last_line(said)} (more in {self.data / 'log'})"
                )
            time.sleep(0.5)

    def _launch(self, binaries: Binaries, account: Account | None) -> None:
        settings = {
            "fsync": "on" if self._fsync else "off",
            **({} if self._fsync else {"synchronous_commit": "off", "full_page_writes": "off"}),
            "timezone": "UTC",
            "log_timezone": "UTC",
            **self._settings,
            "listen_addresses": "",
            "port": "5432",
            "unix_socket_directories": str(self._socket),
            "unix_socket_permissions": "0700",
        }
        words = [word for name, value in settings.items() for word in ("-c", f"{name}={value}")]
        log = self._open_log()
        try:
            self._log_start = os.fstat(log).st_size
            self._process = subprocess.Popen(
                command_as(account, [binaries.program("postgres"), "-D", self.data / "cluster", *words]),
                cwd=CHILD_FOLDER,
                env=CHILD_ENVIRONMENT,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        finally:
            os.close(log)
        self.pid = self._process.pid

    def _open_log(self) -> int:
        log = self.data / "log"
        if log.is_file() and log.stat().st_size > _LOG_BYTES:
            log.replace(self.data / "log.1")
        return os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)

    def _await_ready(self) -> str | None:
        """Wait for PostgreSQL's own word in `postmaster.pid`; return what it logged where it ended instead."""
        mark = self.data / "cluster" / "postmaster.pid"
        end = time.monotonic() + _READY_S
        while self.alive():
            with contextlib.suppress(FileNotFoundError):
                lines = mark.read_text(encoding="utf-8", errors="replace").splitlines()
                if len(lines) >= 8 and lines[0] == str(self.pid) and lines[7].strip() == "ready":
                    return None
            if time.monotonic() > end:
                raise EmbeddedUnavailable(f"PostgreSQL on {self.data} is not ready after {_READY_S:.0f} seconds.")
            time.sleep(0.02)
        with (self.data / "log").open("rb") as log:
            log.seek(self._log_start)
            return log.read().decode(errors="replace")

    def _make_database(self, binaries: Binaries, account: Account | None) -> None:
        psql: list[str | Path] = [binaries.program("psql"), "-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1"]
        psql += ["-h", str(self._socket), "-U", _NAME, "-d", "postgres", "-c"]
        found = run_as(account, [*psql, f"SELECT 1 FROM pg_database WHERE datname = '{_NAME}'"])
        if found.returncode == 0 and not found.stdout.strip():
            found = run_as(account, [*psql, f"CREATE DATABASE {_NAME}"])
        if found.returncode != 0:
            raise EmbeddedUnavailable(f"The database {_NAME} could not be made: {_last_line(found.stderr)}")


def _last_line(said: str) -> str:
    """Return the line that tells most: the last FATAL or error, else the last at all."""
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    telling = [line for line in lines if "FATAL" in line or "error" in line.lower()]
    return (telling or lines or ["it said nothing"])[-1]
