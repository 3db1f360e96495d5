"""The data folder of the embedded PostgreSQL: whose it is, who uses it now, and whether its last server is gone.

Rules of this file: nothing is given to the account but the data folder itself; the lock is held for the service's life;
`postmaster.pid` is read and never deleted, because PostgreSQL's own refusal of a second server rests on it.
"""

import contextlib
import hashlib
import os
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

from service.embedded_account import Account, EmbeddedUnavailable, closed_folder_above

OURS = ("lock", "cluster", "log", "log.1", "socket")
_IN_USE = 2
_DYING_S = 30.0
_SOCKET_PATH_BYTES = 100
"""Of the 108 bytes of sun_path on Linux (104 on macOS), with the end and a margin taken off."""


def default_data_folder() -> Path:
    """Return the folder used where the operator names none; raises EmbeddedUnavailable without a home folder."""
    if sys.platform != "win32" and os.geteuid() == 0:
        return Path("/var/lib/spindle-ledger")
    try:
        home = Path.home()
    except RuntimeError as error:
        raise EmbeddedUnavailable("This user has no home folder: name a data folder with --data.") from error
    if sys.platform == "darwin":
        return home / "Library/Application Support/spindle-ledger"
    return home / ".local/share/spindle-ledger"


def prepare_folder(data: Path, account: Account | None) -> None:
    """Make the data folder where it is missing; raises EmbeddedUnavailable naming what stands in the way."""
    if account is not None and (closed := closed_folder_above(account, data)) is not None:
        raise EmbeddedUnavailable(
            f"The server runs as {account.name}, and {closed} does not let {account.name} through to {data}: "
            f"name a folder elsewhere with --data, or let {account.name} pass {closed}."
        )
    try:
        data.mkdir(mode=0o700, parents=True, exist_ok=True)
        names = {path.name for path in data.iterdir()}
    except OSError as error:
        where = error.filename or data
        raise EmbeddedUnavailable(
            f"The data folder {data} cannot be used ({error.strerror}: {where}): name another with --data."
        ) from error
    if names and not names & set(OURS):
        raise EmbeddedUnavailable(
            f"{data} holds something else already: name an empty folder, or one of this service's, with --data."
        )


def claim_folder(data: Path) -> int:
    """Take the lock of the data folder and return its descriptor; closing it, or dying, gives it back.

    Raises EmbeddedUnavailable with exit status 2 where another process holds it.
    """
    if sys.platform == "win32":
        raise EmbeddedUnavailable("The embedded PostgreSQL is reached by a Unix socket: set DATABASE_URL on Windows.")
    import fcntl  # there is no such module on Windows

    path = data / "lock"
    try:
        lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise EmbeddedUnavailable(
            f"The lock {path} cannot be opened ({error.strerror}): run as the user who made it, "
            f"or name another folder with --data."
        ) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        holder = os.pread(lock, 20, 0).decode(errors="replace").strip() or "unknown"
        os.close(lock)
        raise EmbeddedUnavailable(
            f"{data} is in use by process {holder}: stop it, or name another folder with --data.", exit_status=_IN_USE
        ) from None
    os.ftruncate(lock, 0)
    os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
    return lock


def give_folder(data: Path, account: Account | None) -> None:
    """Make `account` the owner of the data folder itself; a cluster that is another's is refused."""
    cluster = data / "cluster"
    owner = account.user if account is not None else os.geteuid()
    if cluster.exists() and cluster.stat().st_uid != owner:
        who = account.name if account is not None else f"user {owner}"
        raise EmbeddedUnavailable(
            f"The data in {data} was made by user {cluster.stat().st_uid} and the server would run as {who}: "
            f"start the service as the same user as before, or name another folder with --data."
        )
    if account is not None and data.stat().st_uid != owner:
        os.chown(data, account.user, account.group)


def refuse_other_major(data: Path, major: str) -> None:
    """Raise EmbeddedUnavailable where the data was written by another major version of PostgreSQL."""
    mark = data / "cluster" / "PG_VERSION"
    found = mark.read_text(encoding="ascii").strip() if mark.exists() else major
    if found != major:
        raise EmbeddedUnavailable(
            f"The data in {data} was written by PostgreSQL {found} and this is PostgreSQL {major}, which cannot read "
            f"it: start PostgreSQL {found} on {data / 'cluster'}, save it with pg_dump, and load that into a new "
            f"folder named with --data; or go back to the release that brings PostgreSQL {found}."
        )


def outlive_postmaster(cluster: Path, patience_s: float = _DYING_S) -> None:
    """Wait until the server of an earlier, killed service is gone; then send it SIGINT and wait as long again.

    It outlives its killed parent by a second or two. Raises EmbeddedUnavailable where it stays.
    """
    if _gone_within(cluster, patience_s):
        return
    if (pid := running_postmaster(cluster)) is not None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGINT)
    if not _gone_within(cluster, patience_s):
        raise EmbeddedUnavailable(
            f"An earlier PostgreSQL, process {running_postmaster(cluster)}, still works on {cluster} and does not "
            f"end: stop it, then start again."
        )


def _gone_within(cluster: Path, limit_s: float) -> bool:
    end = time.monotonic() + limit_s
    while running_postmaster(cluster) is not None:
        if time.monotonic() > end:
            return False
        time.sleep(0.05)
    return True


def running_postmaster(cluster: Path) -> int | None:
    """Return the process that `postmaster.pid` names, if it lives and works on this cluster, else None.

    The number alone proves nothing: after a restart of the machine it may be anybody's.
    """
    try:
        pid = abs(int((cluster / "postmaster.pid").read_text(encoding="utf-8", errors="replace").split("\n", 1)[0]))
    except (FileNotFoundError, ValueError):
        return None
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes()
    except (FileNotFoundError, ProcessLookupError):
        if Path("/proc/self").exists():
            return None
        words = subprocess.run(["ps", "-p", str(pid), "-o", "command="], capture_output=True, check=False).stdout
    return pid if os.fsencode(cluster) in words else None


def socket_folder(data: Path, account: Account | None) -> Path:
    """Return a private folder for the server's socket: inside the data folder, or a short one where that is too long.

    PostgreSQL reads the setting as a list, so a path with a comma, quote or blank moves too. Raises EmbeddedUnavailable
    where the short folder's name is taken by somebody else.
    """
    inside = data / "socket"
    plain = all(letter.isalnum() or letter in "/._-" for letter in str(inside)) and str(inside).isascii()
    short = Path("/tmp", f"spindle-ledger-{hashlib.sha256(os.fsencode(data)).hexdigest()[:16]}")
    folder = inside if plain and len(f"{inside}/.s.PGSQL.5432") <= _SOCKET_PATH_BYTES else short
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=0o700)
        if account is not None:
            os.chown(folder, account.user, account.group, follow_symlinks=False)
    owner = account.user if account is not None else os.geteuid()
    seen = folder.lstat()
    if not stat.S_ISDIR(seen.st_mode) or seen.st_uid != owner or seen.st_mode & 0o077:
        raise EmbeddedUnavailable(f"{folder} is not a private folder of the server's account: look who made it.")
    return folder
