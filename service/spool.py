"""A folder of documents that wait to be sent: each whole or not there, in the order in which they came, within a size.

A document is written beside its place, brought to the disk, and then given its name, so that a power cut leaves none in
part. One process at a time has the folder.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct

_DIGITS: Final = 20
_WAITING: Final = "[0-9]" * _DIGITS + ".xml"


class CannotFollow(Exception):
    """What to follow, where to, or by way of which folder is said so that it cannot be done; the message says why."""


class SpoolInUse(CannotFollow):
    """Another process has the folder."""


class SpoolOfAnother(CannotFollow):
    """The folder is of another agent: what stands in it says nothing of this one."""


class Place(Struct, frozen=True, kw_only=True):
    """Where following an agent stands: its address, the run of the agent, and the sequence to ask for next."""

    agent: str
    instance: str
    next: int


class Spool:
    """The folder while it is held; see `held`."""

    def __init__(self, folder: Path, limit: int) -> None:
        self._folder, self._limit = folder, limit
        self._refused = folder / "refused"
        self._refused.mkdir(exist_ok=True)
        for left in folder.glob("*.part"):
            left.unlink()

    def place(self, agent: str) -> Place | None:
        """Where it stood. Raises SpoolOfAnother."""
        try:
            place = msgspec.json.decode((self._folder / "place.json").read_bytes(), type=Place)
        except FileNotFoundError:
            return None
        if place.agent != agent:
            raise SpoolOfAnother(f"{self._folder} is of the agent {place.agent}: give each agent a folder of its own")
        return place

    def stand(self, place: Place) -> None:
        self._write("place.json", msgspec.json.encode(place))

    def waiting(self) -> list[Path]:
        """Documents that wait, the oldest first."""
        return sorted(self._folder.glob(_WAITING))

    def size(self) -> int:
        """Bytes of what waits and of what was refused."""
        return sum(path.stat().st_size for path in [*self.waiting(), *self._refused.iterdir()])

    def takes(self, more: int) -> bool:
        return self.size() + more <= self._limit

    def add(self, document: bytes) -> None:
        waiting = self.waiting()
        number = int(waiting[-1].stem) + 1 if waiting else self._last_number() + 1
        self._write(f"{number:0{_DIGITS}d}.xml", document)

    def _last_number(self) -> int:
        """Of those that were refused: a name is not given twice."""
        return max((int(path.stem) for path in self._refused.glob(_WAITING)), default=0)

    def remove(self, document: Path) -> None:
        document.unlink(missing_ok=True)

    def refuse(self, document: Path) -> Path:
        """Puts a document aside that will never be taken."""
        return document.rename(self._refused / document.name)

    def _write(self, name: str, content: bytes) -> None:
        part = self._folder / f"{name}.part"
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.rename(self._folder / name)
        folder = os.open(self._folder, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


@contextmanager
def held(folder: Path, limit: int) -> Iterator[Spool]:
    """The folder, made where there is none, for this process alone; at most `limit` bytes. Raises SpoolInUse."""
    if sys.platform == "win32":
        raise SpoolInUse("the spool is locked as Unix does: follow the agent from a Unix machine")
    import fcntl  # there is no such module on Windows

    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("ab") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as taken:
            raise SpoolInUse(f"{folder} is in use by another process") from taken
        yield Spool(folder, limit)
