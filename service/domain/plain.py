"""Which readings are plain: stored as they are, because nothing but the count can follow from them."""

from datetime import datetime, timedelta
from typing import Final, Literal

from msgspec import Struct

from service.domain.counter import SILENT_AFTER, fits

UNMOVED_ENTRY_AFTER: Final = timedelta(hours=1)
"""An unmoved count becomes an entry only when the newest one is so old, so that silence is judged from the ledger."""

Becomes = Literal["moved", "late", "unchanged", "thought", "away"]


class Standing(Struct):
    """A counter as its rows have it, moved on by the plain readings of a call as they are taken.

    `reading` and `read_at` are the newest counted reading; the others say from where on a reading needs thought.
    """

    subject: int
    key: str
    log: int
    reading: int
    read_at: datetime
    max_per_second: int
    takes_readings: bool
    plain_after: datetime
    plain_below: int | None
    plain_until: datetime | None
    thought_until: datetime | None
    pushed: bool
    watched: bool
    quiet: bool

    def becomes(self, reading: int, at: datetime) -> Becomes:
        """What is to be done with a reading that the ledger does not have yet; the order of the questions is LEDGER's.

        `moved` and `late` are plain; `thought` is a fact, for `record` to judge.
        """
        if not self.takes_readings:
            return "away"
        if at <= self.read_at:
            return "late" if at > self.plain_after and reading <= self.reading else "thought"
        if reading == self.reading and self.pushed and at < self.read_at + UNMOVED_ENTRY_AFTER:
            return "unchanged"
        return "moved" if self._is_plain(reading, at) else "thought"

    def _is_plain(self, reading: int, at: datetime) -> bool:
        """Newer than everything, not below, below the next limit, fitting the time, and nobody waits for it."""
        rise = reading - self.reading
        return (
            rise >= 0
            and self.pushed
            and at > self.plain_after
            and (self.plain_below is None or reading < self.plain_below)
            and (self.plain_until is None or at < self.plain_until)
            and (self.thought_until is None or at >= self.thought_until)
            and not (self.watched and rise > 0)
            and not self.quiet
            and at < self.read_at + SILENT_AFTER
            and fits(rise, self.read_at, at, self.max_per_second)
        )
