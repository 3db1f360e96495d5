"""What is derived from the ledger: a spindle's stored state, counter, place, rechecks and measurements."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import msgspec
from msgspec import Struct, structs

from service.domain import counter
from service.domain.event import SchemaTooNew
from service.domain.fold import View, next_limit, view
from service.domain.recheck import Episode, Moment
from service.domain.shown import recheck_shown, verdict_shown
from service.domain.spindle import FOLD_VERSION, SpindleState
from service.domain.step import Step
from service.postgres import Database, Statements, Transaction

SQL: Final = Statements.beside(__file__)
THOUGHT_AFTER_TORQUE: Final = timedelta(days=1)

Row = dict[str, Any]
"""Columns of one row of a derived table, without its subject."""

_STATE: Final = msgspec.json.Decoder(SpindleState)
_encode: Final = msgspec.json.Encoder().encode


class Stored(Struct, frozen=True, kw_only=True):
    """A spindle's rows. `newest` is the newest counted reading with its time."""

    state: SpindleState
    sequence: int
    newest_fact: datetime
    settled_at: datetime
    settlements: int
    next_look: datetime | None
    told_health: str | None
    untold: bool
    newest: tuple[int, datetime]
    usual: timedelta | None
    heard_at: datetime

    def view(self, now: datetime) -> View:
        return view(self.state, now, self.newest, self.usual)

    def usual_after(self, counted_at: datetime) -> timedelta | None:
        """The usual pause, where it was looked up after the same newest reading."""
        return self.usual if counted_at == self.newest[1] else None

    def settled_by(self, now: datetime) -> datetime:
        """The time for which it is shown: its own, or now where its next look has passed; nothing is written."""
        late = self.next_look is not None and self.next_look <= now
        return max(now, self.settled_at) if late else self.settled_at


class Limits(Struct, frozen=True, kw_only=True):
    """From where on a reading is not plain after a state: what it reaches, from when, until when, or that it rises."""

    plain_below: int | None
    plain_until: datetime | None
    thought_until: datetime | None
    watched: bool


def limits_of(state: SpindleState) -> Limits:
    limit_count, limit_time = next_limit(state)
    below = None if limit_count is None else counter.reading_at(state.counter, limit_count)
    reached = [limit for limit in (below, state.counter.modulus) if limit is not None]
    thought = None
    if state.torqued is not None and not _measured_since(state, state.torqued):
        thought = state.torqued.time + THOUGHT_AFTER_TORQUE
    return Limits(
        plain_below=min(reached, default=None),
        plain_until=limit_time,
        thought_until=thought,
        watched=state.withheld is not None and state.withheld.used is None,
    )


class FoldTooOld(Exception):
    """A stored state was folded by an older release; it has to be folded again from the facts."""


async def load(tx: Transaction, subject: int) -> Stored | None:
    """The stored state. Raises as `stored_of`."""
    row = await tx.row(SQL["load"], subject=subject)
    return None if row is None else stored_of(row)


class LookedAt(Struct, frozen=True, kw_only=True):
    """A spindle as one statement found it: the newest of its stream, the clock, its rows, its open work orders."""

    sequence: int
    now: datetime
    stored: Stored
    work_orders: tuple[str, ...]


async def look_at(database: Database, key: str) -> LookedAt | None:
    """A spindle by its key, for reading. Raises as `stored_of`."""
    row = await database.look(SQL["look_at"], key=key)
    if row is None:
        return None
    now = row["now"] + database.clock_shift
    orders = tuple(row["work_orders"])
    return LookedAt(sequence=row["newest_sequence"], now=now, stored=stored_of(row), work_orders=orders)


def stored_of(row: Any) -> Stored:
    """The stored state from its columns.

    Raises FoldTooOld where an older release folded it, SchemaTooNew where a newer one did: that is left as it is.
    """
    if row["fold"] > FOLD_VERSION:
        raise SchemaTooNew(f"a state in fold {row['fold']} was written by a newer release than this one")
    if row["fold"] < FOLD_VERSION:
        raise FoldTooOld("an older release folded this state; it is being folded again: ask again in a moment")
    return Stored(
        state=_STATE.decode(row["folded"]),
        sequence=row["sequence"],
        newest_fact=row["newest_fact"],
        settled_at=row["settled_at"],
        settlements=row["settlements"],
        next_look=row["next_look"],
        told_health=row["told_health"],
        untold=row["untold"],
        newest=(row["reading"], row["read_at"]),
        usual=row["usual_pause"],
        heard_at=row["heard_at"],
    )


def spindle_row(state: SpindleState, seen: View, *, sequence: int) -> Row:
    """The state and the columns that SQL needs beside it, as they hold at the view's time."""
    place = None if state.away else state.place
    return {
        "key": state.key,
        "plant": state.place.plant,
        "hall": None if place is None else place.hall,
        "machine": None if place is None else place.machine,
        "position": None if place is None else place.position,
        "sheet": state.sheet,
        "lifecycle": state.lifecycle,
        "health": seen.assessment.health,
        "clearance": seen.assessment.clearance,
        "reasons": [reason.code for reason in seen.assessment.reasons],
        "sequence": sequence,
        "newest_fact": state.newest.time,
        "folded": _encode(state).decode(),
        "fold": FOLD_VERSION,
        "settled_at": seen.now.time,
    }


async def write_state(
    tx: Transaction,
    subject: int,
    state: SpindleState,
    seen: View,
    *,
    sequence: int,
    next_look: datetime | None,
    told_health: str | None,
    untold: bool,
) -> None:
    """Takes a number of the spindle's log, which nobody else can take before this transaction ends: last, therefore."""
    row = spindle_row(state, seen, sequence=sequence)
    await tx.run(
        SQL["write_spindle"], subject=subject, **row, next_look=next_look, told_health=told_health, untold=untold
    )


def counter_row(state: SpindleState, seen: View, usual: timedelta | None) -> Row:
    """The counter: the newest counted reading, and from where on a reading needs thought."""
    return {
        "reading": seen.reading,
        "read_at": seen.counted_at,
        "count": seen.now.count,
        "cycles_per_count": state.counter.cycles_per_count,
        "max_per_second": state.counter.max_per_second,
        "takes_readings": not state.away,
        "plain_after": state.newest.time,
        "pushed": state.counter.pushed,
        "usual_pause": usual,
        "silent": any(reason.code == "counter_silent" for reason in seen.assessment.reasons),
        **structs.asdict(limits_of(state)),
    }


async def write_counter(
    tx: Transaction, subject: int, state: SpindleState, seen: View, usual: timedelta | None = None
) -> None:
    await tx.run(SQL["write_counter"], subject=subject, **counter_row(state, seen, usual), now=tx.now)


async def look_later(tx: Transaction, subject: int, at: datetime | None, usual: timedelta | None) -> None:
    """Time has changed nothing; when to look next, and the pause that was found to be usual."""
    await tx.run(SQL["look_later"], subject=subject, at=at)
    await tx.run(SQL["keep_usual_pause"], subject=subject, usual=usual)


def _measured_since(state: SpindleState, torqued: Moment) -> bool:
    last = state.last_setting
    return last is not None and (last.at.time, last.at.sequence or 0) > (torqued.time, torqued.sequence or 0)


def place_rows(state: SpindleState) -> list[Row]:
    """Where it has been."""
    return [structs.asdict(stay) for stay in state.stays]


async def write_places(tx: Transaction, subject: int, state: SpindleState) -> None:
    """Raises the unique violation `place_is_taken` where another spindle is there."""
    rows = place_rows(state)
    taken = [row for row in rows if row["removed"] is None]
    places = {f"{part}s": [row[part] for row in taken] for part in ("plant", "machine", "position")}
    await tx.run(SQL["lock_places"], subject=subject, **places)
    await tx.run(SQL["clear_places"], subject=subject)
    await tx.each(SQL["write_place"], [{"subject": subject, **row} for row in rows])


def recheck_rows(episodes: Iterable[Episode]) -> list[Row]:
    """One row per episode, as it stands."""
    return [
        {
            "episode": episode.episode,
            "code": episode.code,
            "state": episode.state,
            "due_at": episode.due_at,
            "due_count": episode.due_at_count,
            "anchor": episode.anchor.sequence,
            "body": _encode(recheck_shown(episode)).decode(),
        }
        for episode in episodes
    ]


async def write_rechecks(tx: Transaction, subject: int, episodes: Iterable[Episode]) -> None:
    await tx.each(SQL["write_recheck"], [{"subject": subject, **row} for row in recheck_rows(episodes)])


async def keep_only_rechecks(tx: Transaction, subject: int, episodes: Iterable[Episode]) -> None:
    await tx.run(SQL["clear_rechecks"], subject=subject, kept=[episode.episode for episode in episodes])


def judged_rows(steps: Iterable[Step], gauges: dict[int, str | None]) -> tuple[list[Row], list[Row]]:
    """The measurements among the steps with the verdict that now holds, and the lots that went in."""
    measured, lots = [], []
    for made in steps:
        at = made.state.newest
        if made.verdict is not None:
            measured.append(
                {
                    "sequence": at.sequence,
                    "occurred": at.time,
                    "kind": KIND_OF[type(made.verdict).__name__],
                    "gauge": gauges.get(at.sequence or 0),
                    "outcome": made.verdict.outcome,
                    "verdict": _encode(verdict_shown(made.verdict)).decode(),
                }
            )
        rebuild = made.state.rebuild
        if rebuild is not None and rebuild.at == at and rebuild.lot is not None:
            lots.append({"sequence": at.sequence, "occurred": at.time, "lot": rebuild.lot})
    return measured, lots


async def write_judged(
    tx: Transaction,
    subject: int,
    steps: Sequence[Step],
    gauges: dict[int, str | None],
    sets: Mapping[int, Any],
    *,
    whole: bool,
) -> None:
    """Of a `whole` history what no longer stands is cleared away."""
    measured, lots = judged_rows(steps, gauges)
    if whole:
        await tx.run(SQL["clear_measurements"], subject=subject, kept=[row["sequence"] for row in measured])
        await tx.run(SQL["clear_fitted_lots"], subject=subject, kept=[row["sequence"] for row in lots])
    await tx.each(SQL["write_measurement"], [{"subject": subject, **row} for row in measured])
    await tx.each(SQL["write_fitted_lot"], [{"subject": subject, **row} for row in lots])
    await _write_sets(tx, subject, steps, sets, whole=whole)


def torque_rows(tools: Mapping[int, tuple[datetime, str]]) -> list[Row]:
    """Which tool torqued the nose when, by the entry."""
    return [{"sequence": sequence, "occurred": at, "tool": tool} for sequence, (at, tool) in tools.items()]


async def write_torques(
    tx: Transaction, subject: int, tools: Mapping[int, tuple[datetime, str]], *, whole: bool
) -> None:
    """Of a `whole` history what no longer stands is cleared away."""
    if whole:
        await tx.run(SQL["clear_torques"], subject=subject, kept=list(tools))
    await tx.each(SQL["write_torque"], [{"subject": subject, **row} for row in torque_rows(tools)])


def set_rows(steps: Iterable[Step], sets: Mapping[int, Any]) -> list[Row]:
    """What begins or ends the watch over clamping sets, with sheet and count then; what was refused is left out.

    `sets` has the facts of that kind by their sequence, as `refold.SetFact`.
    """
    rows = []
    for made in steps:
        at = made.state.newest
        told = None if at.sequence is None or made.refused is not None else sets.get(at.sequence)
        if told is not None:
            rows.append(
                {
                    "sequence": at.sequence,
                    "occurred": at.time,
                    "kind": told.kind,
                    "sheet": made.state.sheet,
                    "reason": told.reason,
                    "count": made.state.counter.count,
                    "fitted_count": None if told.baseline is None else told.baseline.count,
                    "fitted_at": None if told.baseline is None else told.baseline.time,
                }
            )
    return rows


async def _write_sets(
    tx: Transaction, subject: int, steps: Iterable[Step], sets: Mapping[int, Any], *, whole: bool
) -> None:
    """Of a `whole` history what no longer stands is cleared away."""
    rows = set_rows(steps, sets)
    if whole:
        await tx.run(SQL["clear_sets"], subject=subject, kept=[row["sequence"] for row in rows])
    await tx.each(SQL["write_set"], [{"subject": subject, **row} for row in rows])


KIND_OF: Final = {"SettingVerdict": "setting", "ForceVerdict": "draw_force", "RunOutVerdict": "run_out"}
