"""Foresight: when rechecks are expected to fall due, kept for lists behind the writers, and answered for one spindle.

Rules of this file
- What is kept is refreshed after the logs have been read on (`use`): for every spindle with news the forecast, and its
  fit where a day has been read since the last or something has changed.
- What is answered for one spindle is worked out from its own readings to the last, and for any moment of the past from
  what had happened by then.
"""

import asyncio
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Final

import msgspec
from msgspec import Struct

from service import ledger, past, use
from service.clocks import Clocks
from service.domain.due_time import METHOD, Due, Pace, due_of, exactly, own_weight, pace_of, reached
from service.domain.fold import View
from service.domain.group import Groups, Member
from service.domain.recheck import ACTIVE, Episode
from service.domain.shown import StepShown, step_shown
from service.domain.spindle import FOLD_VERSION, SpindleState, Stay
from service.domain.use_rate import Prior, UseFit, fit
from service.domain.wear import Wear, wear_of
from service.domain.wear_chart import Charts, charts_of
from service.domain.wear_series import history_of
from service.domain.week_pattern import hours_of
from service.postgres import Database, Transaction

PORTION: Final = 200
REFIT_AFTER: Final = timedelta(days=1)
COMPANIONS: Final = 24
_STATE: Final = msgspec.json.Decoder(SpindleState)
_NEVER: Final = 1e12


class UseShown(Struct, frozen=True, kw_only=True):
    """The rate of use. `per_day`: cycles on an average day; `pattern`: cycles in each hour of the week, Monday's first.

    `observed_days` of its own readings; `own_weight` is the part of its own level in the rate, the rest is the group's.
    """

    per_day: float
    pattern: tuple[float, ...]
    time_zone: str
    method: str
    observed_days: float
    own_weight: float
    group: str | None
    group_members: int


class RecheckForeseen(Struct, frozen=True, kw_only=True):
    """When a recheck falls due, or fell due; `reason` says why there is no time, or what it does not know."""

    recheck: str
    episode: str
    state: str
    due_at_count: int | None
    due_at: datetime | None
    cycles_left: int | None
    due: Due | None
    by: str | None
    reason: str | None


class Forecast(Struct, frozen=True, kw_only=True):
    """What is foreseen of a spindle. `missing` says why there is no rate of use; `steps` are all that were found."""

    key: str
    as_of: datetime
    count: int
    counted_at: datetime
    use: UseShown | None
    missing: str | None
    rechecks: tuple[RecheckForeseen, ...]
    wear: Wear
    steps: tuple[StepShown, ...]


def stays_of(stays: Sequence[Stay]) -> list[tuple[float, float]]:
    """The times in the machine where it is now, back to where it came from another: (from, until) in hours."""
    here = stays[-1]
    found: list[tuple[float, float]] = []
    for stay in reversed(stays):
        if (stay.plant, stay.machine) != (here.plant, here.machine):
            break
        found.append((hours_of(stay.installed), _NEVER if stay.removed is None else hours_of(stay.removed)))
    return found[::-1]


async def forecast(tx: Transaction, subject: int, key: str, clocks: Clocks, as_of: datetime | None) -> Forecast | None:
    """What is foreseen of a spindle now, or was at a moment of the past; None where it was not yet known then."""
    now = as_of or tx.now
    then = await past.look_back(tx, subject, key, past.Asked(as_of=now, known_at=None))
    if then is None:
        return None
    state, seen = then.folded.final.state, then.seen
    zones = clocks.of(state.place.plant)
    groups = await _groups_then(tx, subject, state, clocks, now)
    name, prior = groups.closest(state.place.hall, state.place.machine, state.sheet)
    newest = (seen.reading, seen.counted_at)
    found = await use.readings_to_the_end(tx, subject, now, newest, then.folded.gone)
    counters = (await use.exchanges_of(tx, [subject], now)).get(subject, [])
    own = await asyncio.to_thread(fit, found, counters, stays_of(state.stays), zones, prior) if counters else None
    pace = "not_installed" if state.away else pace_of(own, prior, zones)
    count = state.counter.count if seen.now.count is None else seen.now.count
    history = await asyncio.to_thread(history_of, then.folded.steps)
    when = None if isinstance(pace, str) else partial(reached, pace, seen.counted_at)
    return Forecast(
        key=key,
        as_of=now,
        count=count,
        counted_at=seen.counted_at,
        use=None if isinstance(pace, str) else _use_shown(pace, clocks, state.place.plant, name),
        missing=pace if isinstance(pace, str) else None,
        rechecks=tuple(_foreseen(each, pace, count, seen) for each in seen.rechecks if each.state in ACTIVE),
        wear=await asyncio.to_thread(wear_of, history, count, when),
        steps=tuple(step_shown(each) for each in history.steps),
    )


async def charts(tx: Transaction, subject: int, key: str, as_of: datetime | None) -> Charts | None:
    """What was measured of a spindle by then, as charts; None where it was not yet known."""
    now = as_of or tx.now
    then = await past.look_back(tx, subject, key, past.Asked(as_of=now, known_at=None))
    if then is None:
        return None
    return await asyncio.to_thread(lambda: charts_of(history_of(then.folded.steps), key, now))


def _use_shown(pace: Pace, clocks: Clocks, plant: str, group: str) -> UseShown:
    hours = [float(after - before) for before, after in zip(pace.sums[:-1], pace.sums[1:], strict=True)]
    level = pace.per_day * 7 / sum(hours)
    own, prior = pace.own, pace.prior
    still = 1.0 if own is None or not own.cycles else own.per_day / max(sum(own.pattern) / 7, 1e-9)
    return UseShown(
        per_day=round(pace.per_day * min(still, 1.0), 3),
        pattern=tuple(round(each * level, 3) for each in hours),
        time_zone=clocks.shown(plant, 0 if own is None else own.zone),
        method=METHOD,
        observed_days=0.0 if own is None else round(own.seen, 2),
        own_weight=round(own_weight(pace), 3),
        group=None if prior is None else group,
        group_members=0 if prior is None else prior.members,
    )


def _foreseen(episode: Episode, pace: Pace | str, count: int, seen: View) -> RecheckForeseen:
    left = None if episode.due_at_count is None else episode.due_at_count - count
    due, by, reason = _due(episode, pace, left, seen)
    return RecheckForeseen(
        recheck=episode.code,
        episode=episode.episode,
        state=episode.state,
        due_at_count=episode.due_at_count,
        due_at=episode.due_at,
        cycles_left=left,
        due=due,
        by=by,
        reason=reason,
    )


def _due(episode: Episode, pace: Pace | str, left: int | None, seen: View) -> tuple[Due | None, str | None, str | None]:
    """The due time, what it goes by, and what is to be said of it."""
    if episode.due is not None:
        return exactly(episode.due.time), "recorded", None
    if episode.due_at is None and left is None:
        return None, None, "no_limit"
    if pace == "not_installed":
        return None, None, "not_installed"
    if left is None:
        return due_of(episode.due_at, None), "days", None
    if isinstance(pace, str):
        return due_of(episode.due_at, None), None if episode.due_at is None else "days", pace
    times = reached(pace, seen.counted_at, left)
    reason = "may_have_passed_unread" if times[2] < seen.now.time else None
    by_days = episode.due_at is not None and episode.due_at <= times[2]
    return due_of(episode.due_at, times), "days" if by_days else "cycles", reason


async def _groups_then(tx: Transaction, subject: int, state: SpindleState, clocks: Clocks, now: datetime) -> Groups:
    """The spindles most like one, each by what had been read then."""
    place = state.place
    where = {"plant": place.plant, "hall": place.hall, "machine": place.machine, "sheet": state.sheet}
    rows = await tx.rows(use.SQL["companions"], subject=subject, **where, limit=COMPANIONS)
    fits = await _fits(tx, [row["subject"] for row in rows], {}, {place.plant: clocks.of(place.plant)}, now)
    return Groups(
        [
            Member(hall=row["hall"], machine=row["machine"], sheet=row["sheet"], fit=fits[row["subject"]])
            for row in rows
            if row["subject"] in fits
        ]
    )


async def _fits(
    tx: Transaction,
    subjects: Sequence[int],
    priors: Mapping[int, Prior | None],
    zones: Mapping[str, Sequence[Any]],
    until: datetime,
) -> dict[int, UseFit]:
    """What is fitted to the use of some spindles until a moment, as far as the logs were read."""
    found = await use.readings_of(tx, subjects, until)
    counters = await use.exchanges_of(tx, list(found), until)
    rows = await tx.rows(use.SQL["states"], subjects=list(found), fold=FOLD_VERSION)
    states = {row["subject"]: _STATE.decode(row["folded"]) for row in rows}

    def work() -> dict[int, UseFit]:
        fits = {}
        for subject, state in states.items():
            if counters.get(subject):
                stays = stays_of(state.stays)
                made = fit(found[subject], counters[subject], stays, zones[state.place.plant], priors.get(subject))
                if made is not None:
                    fits[subject] = made
        return fits

    return await asyncio.to_thread(work)


class Foreseer:
    """What is kept of every spindle's future, refreshed behind the writers; what groups know is kept for a while."""

    def __init__(self, database: Database, clocks: Clocks) -> None:
        self._database, self._clocks = database, clocks
        self._groups: dict[str, tuple[datetime, Groups]] = {}

    async def once(self, *, portions: int | None = None) -> int:
        """Reads the logs on and refreshes every spindle with news. Answers how many were."""
        await use.read_on(self._database)
        done, made = 0, 0
        while portions is None or made < portions:
            portion = await self.refresh()
            done, made = done + portion, made + 1
            if not portion:
                break
        return done

    async def refresh(self) -> int:
        """One portion of the spindles with news."""
        async with self._database.transaction() as tx:
            stale = await tx.rows(use.SQL["stale"], limit=PORTION)
            if not stale:
                return 0
            subjects = [row["subject"] for row in stale]
            for row in stale:
                if row["amended"]:
                    await use.make_hours_again(tx, row["subject"], await ledger.history(tx, row["subject"]))
            rows = await tx.rows(use.SQL["spindles"], subjects=subjects)
            changed = {row["subject"] for row in stale if row["changed"] or row["amended"]}
            groups = {plant: await self._groups_of(tx, plant) for plant in {row["plant"] for row in rows}}
            fits = await self._refitted(tx, rows, changed, groups)
            await self._write(tx, subjects, rows, fits, groups)
            await tx.run(use.SQL["seen"], subjects=subjects)
        return len(stale)

    async def _groups_of(self, tx: Transaction, plant: str) -> Groups:
        """What a plant's spindles know together, made again after a minute, in a large plant after some."""
        known = self._groups.get(plant)
        if known is None or tx.now - known[0] > timedelta(seconds=60 + len(known[1]) / 10):
            rows = await tx.rows(use.SQL["fits_of_plant"], plant=plant)
            members = [
                Member(hall=row["hall"], machine=row["machine"], sheet=row["sheet"], fit=use.fit_of(row["body"]))
                for row in rows
            ]
            known = self._groups[plant] = (tx.now, Groups(members))
        return known[1]

    async def _refitted(
        self, tx: Transaction, rows: Sequence[Any], changed: Iterable[int], groups: Mapping[str, Groups]
    ) -> dict[int, UseFit]:
        """The fits of the spindles, made again where a day has been read since or something has changed."""
        fits = {row["subject"]: use.fit_of(row["body"]) for row in rows if row["body"] is not None}
        old = [row for row in rows if self._is_old(row, changed)]
        if old:
            zones = {plant: self._clocks.of(plant) for plant in groups}
            priors = {row["subject"]: self._prior(groups, row) for row in old}
            until = max(row["read_at"] for row in old)
            made = await _fits(tx, [row["subject"] for row in old], priors, zones, until)
            for label in {self._clocks.label(row["plant"]) for row in old}:
                mine = {row["subject"] for row in old if self._clocks.label(row["plant"]) == label}
                await use.write_fits(tx, {number: each for number, each in made.items() if number in mine}, label)
            fits.update(made)
        return fits

    def _is_old(self, row: Any, changed: Iterable[int]) -> bool:
        return bool(
            row["body"] is None
            or row["subject"] in changed
            or row["zones"] != self._clocks.label(row["plant"])
            or row["read_at"] - row["through"] >= REFIT_AFTER
        )

    @staticmethod
    def _prior(groups: Mapping[str, Groups], row: Any) -> Prior | None:
        return groups[row["plant"]].closest(row["hall"], row["machine"], row["sheet"])[1]

    async def _write(
        self,
        tx: Transaction,
        subjects: list[int],
        rows: Sequence[Any],
        fits: Mapping[int, UseFit],
        groups: Mapping[str, Groups],
    ) -> None:
        waiting: dict[int, list[Any]] = {}
        for row in await tx.rows(use.SQL["waiting"], subjects=subjects):
            waiting.setdefault(row["subject"], []).append(row)

        def work() -> list[tuple[str, int, Due]]:
            found = []
            for row in rows:
                mine = waiting.get(row["subject"], [])
                if row["lifecycle"] != "installed" or not mine:
                    continue
                pace = pace_of(fits.get(row["subject"]), self._prior(groups, row), self._clocks.of(row["plant"]))
                found += _expected(row, mine, pace)
            return found

        expected = await asyncio.to_thread(work)
        await tx.run(use.SQL["clear_expected"], subjects=subjects, kept=[episode for episode, _, _ in expected])
        await use.write_expected(tx, expected)


def _expected(row: Any, waiting: Iterable[Any], pace: Pace | str) -> list[tuple[str, int, Due]]:
    """Of one spindle: its episodes that are not due yet, with when they are expected to be."""
    found = []
    for each in waiting:
        times = None
        if each["due_count"] is not None and not isinstance(pace, str):
            times = reached(pace, row["read_at"], each["due_count"] - row["count"])
        due = due_of(each["due_at"], times)
        if due is not None:
            found.append((each["episode"], row["subject"], due))
    return found
