"""Which account the embedded PostgreSQL runs under, and what that account may reach.

PostgreSQL refuses to run as root, so root lends it an account that exists already. No account is ever made and no mode
of a folder that is not ours is ever changed: what is closed is refused by name.
"""

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import msgspec

CHILD_ENVIRONMENT = {"PATH": "/usr/local/bin:/usr/bin:/bin", "LC_ALL": "C"}
"""All that a child process is given: nothing of ours (PGDATA, LD_LIBRARY_PATH, secrets) reaches the server."""
CHILD_FOLDER = "/"


class EmbeddedUnavailable(Exception):
    """The embedded PostgreSQL cannot be used; the message is a sentence for whoever started the service."""

    def __init__(self, sentence: str, *, exit_status: int = 1) -> None:
        super().__init__(sentence)
        self.exit_status = exit_status


class Account(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An account of the operating system, by name and by numbers."""

    name: str
    user: int
    group: int
    others: tuple[int, ...]


def server_account() -> Account | None:
    """Return the account that root lends the server (`postgres`, else `nobody`), or None where we are not root.

    Raises EmbeddedUnavailable where root finds neither.
    """
    if sys.platform == "win32" or os.geteuid() != 0:
        return None
    import pwd  # there is no such module on Windows

    for name in ("postgres", "nobody"):
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        if entry.pw_uid != 0:
            others = tuple(os.getgrouplist(name, entry.pw_gid))
            return Account(name=name, user=entry.pw_uid, group=entry.pw_gid, others=others)
    raise EmbeddedUnavailable(
        "PostgreSQL does not run as root and this system has neither an account postgres nor nobody: "
        "run the service as an ordinary user, or name a server with DATABASE_URL."
    )


def command_as(account: Account | None, program: Sequence[str | Path]) -> list[str]:
    """Return the command that runs `program` as `account`, tied to the life of this process."""
    who = ("-", "-", "-")
    if account is not None:
        who = (str(account.user), str(account.group), ",".join(str(number) for number in account.others))
    script = Path(__file__).with_name("embedded_launch.py")
    return [sys.executable, "-I", "-S", str(script), str(os.getpid()), *who, *(str(word) for word in program)]


def run_as(account: Account | None, program: Sequence[str | Path]) -> subprocess.CompletedProcess[str]:
    """Run `program` to its end as `account`, with a fixed folder and environment, and return what it said."""
    return subprocess.run(
        command_as(account, program),
        cwd=CHILD_FOLDER,
        env=CHILD_ENVIRONMENT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
        start_new_session=True,
    )


def may(account: Account | None, what: str, path: Path) -> bool:
    """Say whether `account` may read (`-r`), write (`-w`) or run or enter (`-x`) `path`; the kernel answers."""
    asked = run_as(account, [shutil.which("test", path=CHILD_ENVIRONMENT["PATH"]) or "/bin/test", what, path])
    if asked.returncode not in (0, 1) or asked.stderr:
        who = account.name if account is not None else "this user"
        raise EmbeddedUnavailable(f"No program can be run as {who}: {asked.stderr.strip() or asked.returncode}")
    return asked.returncode == 0


def closed_folder_above(account: Account, path: Path) -> Path | None:
    """Return the outermost existing folder above `path` that `account` may not pass, or None."""
    above = [folder for folder in reversed(path.parents) if folder.exists()]
    if not above or may(account, "-x", above[-1]):
        return None
    return next((folder for folder in above if not may(account, "-x", folder)), above[-1])
