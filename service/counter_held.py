"""The counter that held when a fact happened: looked up once, while the fact is recorded, and stored with it."""

from collections.abc import Sequence
from datetime import datetime

from msgspec import structs

from service import ledger
from service.domain import counter
from service.domain.correction import History
from service.domain.counter import CounterTrack
from service.domain.event import Fact, spindles
from service.domain.event.envelope import Event
from service.domain.refusal import Refusal
from service.postgres import Transaction
from service.projections import Stored
from service.refold import Newest


class OldEndContradicts(Refusal):
    """The old counter's last value does not fit what it was last read at."""

    code = "old_end_contradicts"


def _check_old_end(stored: Stored, old_end: int, at: datetime) -> None:
    reading, read_at = stored.newest
    track = structs.replace(stored.state.counter, reading=reading, read_at=read_at)
    if not isinstance(counter.judge_reading(track, old_end, at), int):
        text = (
            f"the counter was read at {reading} on {read_at:%Y-%m-%d %H:%M:%S} UTC and cannot have ended at {old_end}"
        )
        raise OldEndContradicts(text, pointer="/data/old_end")


async def held(tx: Transaction, subject: int, stored: Stored | None, event: Event) -> int | None:
    """The counter that held when the fact happened: its own where that is believed, else the newest before it."""
    data, at = event.data, event.occurred
    if isinstance(data, spindles.Commissioned):
        return data.counter.start
    if isinstance(data, spindles.CounterReplaced):
        if stored is not None and at >= stored.newest[1]:
            _check_old_end(stored, data.old_end, at)
        return data.new_start
    if isinstance(data, spindles.Installed) and data.counter is not None:
        return data.counter.start
    if stored is None:
        return None
    late = at < stored.newest[1]
    history = await ledger.history(tx, subject) if late else History()
    before: Newest = await ledger.held_reading(tx, subject, at, history.gone) if late else stored.newest
    read: int | None = getattr(data, "count", None)
    if read is None or before is None:
        return read if before is None else before[0]
    track = structs.replace(stored.state.counter, reading=before[0], read_at=before[1])
    if late and track.exchanged is not None:
        track = _as_it_was(track, history.facts, at)
    believed = isinstance(counter.judge_reading(track, read, at), int)
    if believed and late:
        following = await ledger.following_reading(tx, subject, at, history.gone)
        track = structs.replace(track, reading=read, read_at=at)
        believed = following is None or isinstance(counter.judge_reading(track, *following), int)
    return read if believed else before[0]


def _as_it_was(track: CounterTrack, facts: Sequence[Fact], at: datetime) -> CounterTrack:
    """The track with the modulus and the speed of the counter that was in place then."""
    for fact in facts:
        if fact.occurred > at:
            break
        if isinstance(fact.data, spindles.Commissioned | spindles.Installed) and fact.data.counter is not None:
            then = fact.data.counter
            track = structs.replace(track, modulus=then.modulus, max_per_second=then.max_per_second)
        elif isinstance(fact.data, spindles.CounterReplaced) and fact.data.modulus is not None:
            track = structs.replace(track, modulus=fact.data.modulus)
    return track
