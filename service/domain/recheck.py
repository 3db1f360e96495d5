"""Rechecks: one episode from its anchor to the check that satisfies it.

Rules of this file
- An episode is advanced from fact to fact, and to a time after the newest one; crossing a limit of days happens at
  the limit's own time, crossing a limit of cycles at the fact whose count reached it.
- Days do not run while the spindle is away from its machine: the limits move by the time away.
- A check satisfies only an episode whose window is open; a window that is not open yet stays as it is.
"""

from base64 import b32encode
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Final, Literal

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from service.domain.event.sheets import Recheck

State = Literal["waiting", "open", "due", "overdue", "satisfied", "deferred", "superseded"]
ACTIVE: Final = frozenset({"waiting", "open", "due", "overdue", "deferred"})
REPEAT_CHECK: Final = "repeat-check"
"""The code of the check that opens by itself after a reading outside the limits that proved nothing."""


RECALL_CHECK: Final = "recall-check"
"""The code of the check that opens when a gauge or tool behind a standing verdict is found out."""
LOT_CHECK: Final = "lot-check"
"""The code of the check that opens when the lot of the fitted clamping set is withdrawn."""
BY_ITSELF: Final = frozenset({REPEAT_CHECK, RECALL_CHECK, LOT_CHECK})


class Moment(Struct, frozen=True, kw_only=True):
    """When something came about, at which count, and by which entry (none where only time passed)."""

    time: datetime
    count: int | None
    sequence: int | None


class Deferral(Struct, frozen=True, kw_only=True):
    sequence: int
    until: datetime | None
    until_count: int | None


class Episode(Struct, frozen=True, kw_only=True):
    """One run of a recheck. Counts are the state's count; `late` says that it had been overdue before it was closed.

    `minutes` is how long the check takes, where the sheet says so.
    """

    episode: str
    code: str
    check: str
    since: str
    state: State
    anchor: Moment
    window_at_count: int | None = None
    window_at: datetime | None = None
    due_at_count: int | None = None
    due_at: datetime | None = None
    grace_cycles: int | None = None
    grace_days: int | None = None
    when_overdue: Literal["restrict", "withhold"] = "restrict"
    repeat: bool = False
    opened: Moment | None = None
    due: Moment | None = None
    overdue: Moment | None = None
    overdue_at_count: int | None = None
    overdue_at: datetime | None = None
    deferral: Deferral | None = None
    closed: Moment | None = None
    late: bool = False
    minutes: int | None = None


def digest(prefix: str, *parts: object) -> str:
    """A prefix and 160 bits of SHA-256 over the parts as a JSON array, in lower-case base32 (RFC 4648)."""
    value = sha256(msgspec.json.encode(parts)).digest()[:20]
    return f"{prefix}_{b32encode(value).decode('ascii').lower()}"


def episode_id(subject: str, code: str, anchor_sequence: int) -> str:
    """The stable id of one run of a recheck: subject, code, and the sequence of the anchor's original entry."""
    return digest("epi", subject, code, anchor_sequence)


def begin(subject: str, recheck: Recheck, anchor: Moment, *, counted_from: Moment | None = None) -> Episode:
    """A waiting episode. `counted_from` differs from the anchor where a baseline is counted from."""
    start = counted_from or anchor
    assert anchor.sequence is not None
    base = start.count if start.count is not None else anchor.count
    due_at_count = None if recheck.after_cycles is None or base is None else base + recheck.after_cycles
    due_at = None if recheck.after_days is None else start.time + timedelta(days=recheck.after_days)
    window_at_count, window_at = due_at_count, due_at
    if due_at_count is not None and recheck.early_cycles is not None:
        window_at_count = due_at_count - recheck.early_cycles
    if due_at is not None and recheck.early_days is not None:
        window_at = due_at - timedelta(days=recheck.early_days)
    return Episode(
        episode=episode_id(subject, recheck.code, anchor.sequence),
        code=recheck.code,
        check=recheck.check,
        since=recheck.since,
        state="waiting",
        anchor=replace(start, sequence=anchor.sequence),
        window_at_count=window_at_count,
        window_at=window_at,
        due_at_count=due_at_count,
        due_at=due_at,
        grace_cycles=recheck.grace_cycles,
        grace_days=recheck.grace_days,
        when_overdue=recheck.overdue,
        repeat=recheck.repeat,
        minutes=recheck.minutes,
    )


def begin_repeat_check(subject: str, check: str, anchor: Moment) -> Episode:
    """An episode that is open from the start and has no limit: a check is wanted, and nothing else closes it."""
    assert anchor.sequence is not None
    return Episode(
        episode=episode_id(subject, REPEAT_CHECK, anchor.sequence),
        code=REPEAT_CHECK,
        check=check,
        since="condition",
        state="open",
        anchor=anchor,
        opened=anchor,
    )


def begin_at(subject: str, code: str, check: str, anchor: Moment, opens: datetime, *, since: str) -> Episode:
    """An episode that opens at a time, of which nothing was known at its anchor, and has no limit."""
    assert anchor.sequence is not None
    return Episode(
        episode=episode_id(subject, code, anchor.sequence),
        code=code,
        check=check,
        since=since,
        state="waiting",
        anchor=anchor,
        window_at=max(opens, anchor.time),
    )


def advance(episode: Episode, now: Moment, *, away: bool = False) -> Episode:
    """The episode at a fact, or at a time after the newest one (`now.sequence` None).

    `now.count` is the count that held then. While the spindle is away only cycles are looked at.
    """
    if episode.state not in ACTIVE:
        return episode
    if episode.opened is None:
        at, at_count = episode.window_at, episode.window_at_count
        opened = _crossed(at, at_count, now, away) or _crossed(episode.due_at, episode.due_at_count, now, away)
        if opened is None:
            return _no_longer_put_off(episode, now, away)
        episode = replace(episode, opened=opened, state="open")
    if episode.due is None:
        due = _crossed(episode.due_at, episode.due_at_count, now, away)
        if due is None:
            return _no_longer_put_off(episode, now, away)
        episode = replace(episode, due=due, state="due", **_grace(episode, due, now))
        if episode.deferral is not None and _ended_by(episode.deferral, due):
            episode = replace(episode, deferral=None)
    elif episode.overdue_at_count is None and episode.grace_cycles is not None and now.sequence is not None:
        episode = replace(episode, **_grace(episode, episode.due, now))
    if episode.deferral is not None:
        return _advance_deferred(episode, now, away)
    return _advance_overdue(episode, now, away)


def _crossed(at: datetime | None, at_count: int | None, now: Moment, away: bool) -> Moment | None:
    """The earlier of the two limits that has been reached by `now`, or None."""
    if at is not None and not away and now.time >= at:
        return Moment(time=at, count=None, sequence=None)
    if at_count is not None and now.count is not None and now.count >= at_count:
        return Moment(time=now.time, count=at_count, sequence=now.sequence)
    return None


def _grace(episode: Episode, due: Moment, now: Moment) -> dict[str, int | datetime | None]:
    """Where grace ends. Cycles count from the due count; where days made it due, from the first count known after."""
    count = due.count if due.count is not None else (now.count if now.sequence is not None else None)
    cycles = None if episode.grace_cycles is None or count is None else count + episode.grace_cycles
    days = None if episode.grace_days is None else due.time + timedelta(days=episode.grace_days)
    return {"overdue_at_count": cycles, "overdue_at": days}


def _advance_overdue(episode: Episode, now: Moment, away: bool) -> Episode:
    assert episode.due is not None
    if episode.overdue is not None:
        return replace(episode, state="overdue")
    if episode.grace_cycles is None and episode.grace_days is None:
        return replace(episode, overdue=episode.due, state="overdue")
    beyond = None if episode.overdue_at_count is None else episode.overdue_at_count + 1
    overdue = _crossed(episode.overdue_at, beyond, now, away)
    return episode if overdue is None else replace(episode, overdue=overdue, state="overdue")


def _advance_deferred(episode: Episode, now: Moment, away: bool) -> Episode:
    """Deferred until a count or a time, then overdue."""
    assert episode.deferral is not None
    lapsed = _crossed(episode.deferral.until, episode.deferral.until_count, now, away)
    if lapsed is None:
        return replace(episode, state="deferred")
    return replace(episode, deferral=None, overdue=lapsed, state="overdue")


def _no_longer_put_off(episode: Episode, now: Moment, away: bool) -> Episode:
    """What was put off to before it falls due is not put off when it does."""
    if episode.deferral is None or _crossed(episode.deferral.until, episode.deferral.until_count, now, away) is None:
        return episode
    return replace(episode, deferral=None)


def _ended_by(deferral: Deferral, due: Moment) -> bool:
    """Whether it fell due, in one step with the end of the deferral, only after that end."""
    by_time = deferral.until is not None and deferral.until <= due.time
    by_count = deferral.until_count is not None and due.count is not None and deferral.until_count <= due.count
    return by_time or by_count


def satisfy(episode: Episode, now: Moment) -> Episode:
    """Closed by an admissible check of its kind, late where it was overdue. Not open yet: unchanged."""
    if episode.state == "waiting" or episode.state not in ACTIVE:
        return episode
    return replace(episode, state="satisfied", closed=now, late=episode.late or episode.overdue is not None)


def supersede(episode: Episode, now: Moment) -> Episode:
    return replace(episode, state="superseded", closed=now) if episode.state in ACTIVE else episode


def defer(episode: Episode, deferral: Deferral) -> Episode:
    """Put off. A window that has not opened yet stays waiting and is deferred once due."""
    state: State = "deferred" if episode.due is not None else episode.state
    late = episode.late or episode.overdue is not None
    return replace(episode, deferral=deferral, state=state, overdue=None, late=late)


def move_days(episode: Episode, left: datetime, back: datetime) -> Episode:
    """The limits of days that were still to come, moved by the time the spindle was away since they began to run."""
    if episode.state not in ACTIVE:
        return episode
    began, fell_due = episode.anchor, episode.due
    moved: dict[str, datetime] = {}
    for name, done, since in (
        ("window_at", episode.opened, began),
        ("due_at", episode.due, began),
        ("overdue_at", episode.overdue, fell_due),
    ):
        limit: datetime | None = getattr(episode, name)
        if limit is not None and done is None and since is not None:
            moved[name] = limit + (back - max(left, since.time))
    return replace(episode, **moved)


def next_count(episode: Episode) -> int | None:
    """The count at which something changes by cycles alone."""
    if episode.state not in ACTIVE:
        return None
    put_off = None if episode.deferral is None else episode.deferral.until_count
    if episode.due is None:
        ahead = episode.window_at_count if episode.opened is None else episode.due_at_count
        return min((count for count in (ahead, put_off) if count is not None), default=None)
    if episode.deferral is not None:
        return put_off
    if episode.overdue is None and episode.overdue_at_count is not None:
        return episode.overdue_at_count + 1
    return None


def next_time(episode: Episode) -> datetime | None:
    """The time at which something changes though nothing happens."""
    if episode.state not in ACTIVE:
        return None
    put_off = None if episode.deferral is None else episode.deferral.until
    if episode.due is None:
        ahead = episode.window_at if episode.opened is None else episode.due_at
        return min((time for time in (ahead, put_off) if time is not None), default=None)
    if episode.deferral is not None:
        return put_off
    return None if episode.overdue is not None else episode.overdue_at
