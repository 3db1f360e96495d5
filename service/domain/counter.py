"""The clamp counter: what a reading adds to the count, and which readings are believed.

Rules of this file
- `reading` is what the counter shows; `count` is cycles, starts where commissioning found the counter, and
  never falls, across roll-over and replacement.
- A reading that does not fit is flagged and not counted until a replacement of the counter explains it.
"""

from datetime import datetime, timedelta
from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from service.domain.event.spindles import Counter, CounterMissed, CounterReplaced

SILENT_AFTER: Final = timedelta(days=7)
"""A counter that has been read and then is not for so long is silent at the latest. Ours; no published source."""
SILENT_AFTER_LEAST: Final = timedelta(hours=4)
"""None is silent sooner: an unmoved count becomes an entry once an hour, so some have failed to come. Ours."""
_SECOND: Final = timedelta(seconds=1)
_MICROSECOND: Final = timedelta(microseconds=1)


class CounterFlag(Struct, frozen=True, kw_only=True):
    """A reading that was not believed: the entry, what it said, and when."""

    code: Literal["counter_backward", "counter_implausible"]
    sequence: int
    reading: int
    time: datetime


class CounterTrack(Struct, frozen=True, kw_only=True):
    """Where the counter stands after a fact: newest counted reading with its time, and the count then.

    `exchanged` is the entry since which it is another counter, or the same one reset.
    """

    reading: int
    read_at: datetime
    count: int
    modulus: int | None
    cycles_per_count: int
    max_per_second: int
    pushed: bool = False
    flag: CounterFlag | None = None
    exchanged: int | None = None


def silence(usual: timedelta | None) -> timedelta:
    """How long after its newest reading a counter is silent, by its usual pause: half as long again (ours).

    The usual pause is the longest that came at least twice in the sixteen days before that reading, so that nights and
    weekends without a machine are usual and one breakdown is not. None where it has not been looked up.
    """
    if usual is None:
        return SILENT_AFTER
    return min(max(usual * 3 / 2, SILENT_AFTER_LEAST), SILENT_AFTER)


def begin(counter: Counter, at: datetime) -> CounterTrack:
    """The counter as commissioning found it: count and reading are the same number."""
    return CounterTrack(
        reading=counter.start,
        read_at=at,
        count=counter.start,
        modulus=counter.modulus,
        cycles_per_count=counter.cycles_per_count,
        max_per_second=counter.max_per_second,
    )


def fits(rise: int, since: datetime, at: datetime, max_per_second: int) -> bool:
    """Whether the counter can have risen by so much in that time, a second given for clocks that differ."""
    microseconds = (at - since + _SECOND) // _MICROSECOND
    return rise <= 0 if microseconds < 0 else rise * 1_000_000 <= max_per_second * microseconds


def judge_reading(track: CounterTrack, reading: int, at: datetime) -> int | str:
    """The rise that a reading newer than the track means, or the code of the flag it earns.

    A lower reading is a roll-over only where the way forward over the modulus fits the time that passed.
    """
    if track.modulus is not None and reading >= track.modulus:
        return "counter_implausible"
    if reading >= track.reading:
        rise = reading - track.reading
        return rise if fits(rise, track.read_at, at, track.max_per_second) else "counter_implausible"
    if track.modulus is not None:
        rise = track.modulus - track.reading + reading
        if fits(rise, track.read_at, at, track.max_per_second):
            return rise
    return "counter_backward"


def before(track: CounterTrack, reading: int | None, at: datetime, sequence: int) -> int | None:
    """The reading that the ledger stored as having held at a fact, or None where it was another counter's.

    A fact recorded before the exchange of the counter became known was judged by the counter that had gone.
    """
    recorded_before = track.exchanged is not None and sequence < track.exchanged
    return None if reading is None or recorded_before or not can_have_reached(track, reading, at) else reading


def can_have_reached(track: CounterTrack, reading: int, at: datetime) -> bool:
    """Whether a stored reading can be this counter's: what it cannot have reached since an exchange is another's."""
    rise = reading - track.reading
    return track.exchanged is None or fits(rise, track.read_at, at, track.max_per_second)


def read(track: CounterTrack, reading: int, at: datetime, sequence: int, held_then: int | None) -> CounterTrack:
    """The track after a fact that carries the counter as read.

    `held_then` is the reading that the ledger stored as having held: where it differs from what was read, the
    reading was disbelieved when it was recorded, with the plain readings of that moment in view, and stays so.
    """
    verdict = judge_reading(track, reading, at)
    if held_then is not None and held_then != reading:
        track = held(track, held_then)
        if isinstance(verdict, int):
            verdict = "counter_backward" if reading < held_then else "counter_implausible"
    if isinstance(verdict, int):
        return replace(track, reading=reading, read_at=at, count=track.count + verdict * track.cycles_per_count)
    if track.flag is not None:
        return track
    code: Literal["counter_backward", "counter_implausible"] = (
        "counter_backward" if verdict == "counter_backward" else "counter_implausible"
    )
    return replace(track, flag=CounterFlag(code=code, sequence=sequence, reading=reading, time=at))


def held(track: CounterTrack, reading: int | None) -> CounterTrack:
    """The track moved to a plain reading that held at a fact: plain readings only rise and never roll over."""
    if reading is None or reading <= track.reading:
        return track
    return replace(track, reading=reading, count=track.count + (reading - track.reading) * track.cycles_per_count)


def exchange(track: CounterTrack, data: CounterReplaced, at: datetime, sequence: int) -> CounterTrack:
    """The track after the counter was replaced, or reset: counted on to the old end, then from the new start."""
    last = judge_reading(track, data.old_end, at)
    rise = last if isinstance(last, int) else 0
    return replace(
        track,
        reading=data.new_start,
        read_at=at,
        count=track.count + rise * track.cycles_per_count,
        modulus=data.modulus if data.modulus is not None else track.modulus,
        flag=None,
        exchanged=sequence,
    )


def missed(track: CounterTrack, data: CounterMissed) -> CounterTrack:
    """The track with counts that the counter did not show: what it shows, and when it was read, stays."""
    return replace(track, count=track.count + data.counts * track.cycles_per_count)


def moved(track: CounterTrack, counter: Counter, at: datetime, sequence: int) -> CounterTrack:
    """The track in another machine, whose counter is another one; the count goes on from where it was."""
    return replace(begin(counter, at), count=track.count, pushed=track.pushed, exchanged=sequence)


def reading_at(track: CounterTrack, count: int) -> int:
    """The lowest reading, without roll-over, at which the count has reached `count`."""
    missing = count - track.count
    return track.reading + -(-missing // track.cycles_per_count)
