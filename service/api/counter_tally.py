"""What a call with counter readings is answered: how many were taken, and each that was not by name."""

from collections import Counter
from collections.abc import Iterator, Sequence
from tempfile import TemporaryFile
from typing import Any, Final

import msgspec
from msgspec import Struct

from service.api.problems import Problem, problem_of
from service.count import Answered
from service.domain.refusal import Refusal
from service.metrics import Metrics

HELD_BYTES_MAX: Final = 1024 * 1024
_PORTION_BYTES: Final = 64 * 1024
_TAKEN: Final = ("accepted", "unchanged", "duplicate")
_STATUSES: Final = (*_TAKEN, "late", "refused")

_encode: Final = msgspec.json.Encoder().encode


class NotAccepted(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A reading that moved nothing: late, or refused with its problem. `line` where readings came as lines."""

    line: int | None = None
    key: str
    status: str
    problem: Problem | None = None


class Counted(Struct, frozen=True, kw_only=True):
    """How many readings were taken, and what was not accepted by name."""

    accepted: int
    unchanged: int
    duplicate: int
    late: int
    refused: int
    items: list[NotAccepted]


class Tally:
    """Counts answers; what is not accepted is held, in a file without a name once it is too much for memory."""

    def __init__(self) -> None:
        self.counts = dict.fromkeys(_STATUSES, 0)
        self._held = bytearray()
        self._file: Any = None

    def add_all(self, keys: Sequence[str], answers: Sequence[Answered], lines: Sequence[int] | None = None) -> None:
        """Counts the answers to these readings, and holds what is not accepted by name, in their order."""
        found = Counter(answers)
        for status in _TAKEN:
            self.counts[status] += found[status]
        if sum(found[status] for status in _TAKEN) < len(answers):
            for place, answer in enumerate(answers):
                if answer not in _TAKEN:
                    self.add(keys[place], answer, None if lines is None else lines[place])

    def add(self, key: str, answer: Answered, line: int | None = None) -> None:
        """One that is not accepted."""
        status = "refused" if isinstance(answer, Refusal) else answer
        self.counts[status] += 1
        found = problem_of(answer) if isinstance(answer, Refusal) else None
        item = NotAccepted(line=line, key=key, status=status, problem=found)
        if self._held or self._file is not None:
            self._held += b","
        self._held += _encode(item)
        if len(self._held) > HELD_BYTES_MAX:
            self._spool()

    def _spool(self) -> None:
        if self._file is None:
            self._file = TemporaryFile()  # noqa: SIM115 - closed once it is told
        self._file.write(self._held)
        self._held.clear()

    def tell(self, metrics: Metrics) -> None:
        for status, number in self.counts.items():
            metrics.add("readings", status, number)

    @property
    def spooled(self) -> bool:
        """Whether the answer is more than should be held in memory."""
        return self._file is not None

    def told(self) -> bytes:
        """A `Counted` as JSON."""
        return b"".join(self.portions())

    def portions(self) -> Iterator[bytes]:
        """The same in portions, once."""
        yield _encode(self.counts)[:-1] + b',"items":['
        if self._file is not None:
            with self._file as file:
                file.seek(0)
                while portion := file.read(_PORTION_BYTES):
                    yield portion
        yield bytes(self._held) + b"]}"
