"""The fold: one spindle's facts, in the order of (occurred, sequence), into its state.

Rules of this file
- A state is a function of the facts, of the sheets, gauges and lots they name, and of nothing else. What time or
  plain readings add is seen through `view`, and never stored in a state.
- `apply` is one match over every kind of fact; forgetting a kind stops the type check.
- A fact that makes no sense raises a Refusal. When history is folded again after a sheet or gauge changed, a fact
  that can no longer be judged counts for its time and counter only.
"""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from typing import Any, assert_never

from msgspec import Struct
from msgspec.structs import replace

from service.domain import counter, measured, recheck, work
from service.domain.asked_work import causes_after
from service.domain.event import Fact, SpindleData, spindles
from service.domain.health import Assessment, assess
from service.domain.recheck import ACTIVE, Episode, Moment
from service.domain.refusal import Refusal
from service.domain.spindle import (
    SpindleState,
    Withheld,
    checked,
    conceded,
    counted,
    silent_after,
    torqued,
    with_rechecks,
    working,
)
from service.domain.step import Finding, References, SpindleKnown, SpindleRetired, SpindleUnknown, Step


class View(Struct, frozen=True, kw_only=True):
    """A state at a time: reading and count then, the rechecks advanced to it, health and clearance.

    `silent` is when the counter falls silent, `quiet` when it has been quiet for so long that its usual pause is asked.
    """

    now: Moment
    reading: int
    counted_at: datetime
    rechecks: tuple[Episode, ...]
    assessment: Assessment
    silent: datetime | None = None
    quiet: datetime | None = None

    def looks_like(self, other: "View") -> bool:
        """Whether time has changed nothing that is shown."""
        return (self.assessment, self.rechecks) == (other.assessment, other.rechecks)


def step(state: SpindleState | None, key: str, fact: Fact, known: References) -> Step:
    """Folds one fact in. Raises a Refusal where it makes no sense after the state."""
    if state is None:
        if not isinstance(fact.data, spindles.Commissioned):
            raise SpindleUnknown(
                f"spindle {key!r} was not commissioned at {fact.occurred.isoformat()}", pointer="/subject"
            )
        made = Step(state=work.commissioned(key, fact, fact.data, known))
    else:
        if state.lifecycle == "retired":
            raise SpindleRetired(f"spindle {state.key!r} is retired", pointer="/subject")
        state = _moved_to(state, fact)
        made = apply(_running(state), fact, known)
    return _finished(state, made, fact, known)


def _finished(state: SpindleState | None, made: Step, fact: Fact, known: References) -> Step:
    """The step with what it opened and closed, closed rechecks beside the running ones; `state` is from before it."""
    advanced = tuple(recheck.advance(each, made.state.newest, away=made.state.away) for each in made.state.rechecks)
    after = _watched(replace(made.state, rechecks=advanced), fact, known)
    findings = made.findings
    if after.withheld is not None and after.withheld.used == after.newest and after.withheld.used is not None:
        text = "The counter ran on while the spindle's clearance was withheld."
        findings = (*findings, Finding(code="used_while_withheld", text=text))
    opened, closed = _differences({} if state is None else {e.episode: e for e in state.rechecks}, after)
    previous = () if state is None else state.rechecks
    kept = with_rechecks(after, [*(each for each in previous if each.state not in ACTIVE), *after.rechecks])
    causes = causes_after(kept, fact, made.instruction, lambda: known.revision(kept.sheet, fact.occurred))
    kept = replace(kept, causes=causes) if causes or kept.causes else kept
    return replace(made, state=kept, findings=findings, opened=opened, closed=closed)


def _running(state: SpindleState) -> SpindleState:
    return replace(state, rechecks=tuple(episode for episode in state.rechecks if episode.state in ACTIVE))


def _differences(before: dict[str, Episode], after: SpindleState) -> tuple[tuple[Episode, ...], tuple[Episode, ...]]:
    """Episodes begun by the newest fact or opened, due or overdue with it; and those it closed."""
    opened, closed = [], []
    for episode in after.rechecks:
        earlier = before.get(episode.episode)
        if episode.state not in ACTIVE:
            closed.append(episode)
        elif earlier is None or any(
            mark is not None and mark.sequence == after.newest.sequence
            for mark in (episode.opened, episode.due, episode.overdue)
        ):
            opened.append(episode)
    return tuple(opened), tuple(closed)


def _moved_to(state: SpindleState, fact: Fact) -> SpindleState:
    """The state at the fact's time, before the fact: counter and rechecks moved on."""
    track = state.counter
    read = getattr(fact.data, "count", None)
    held = counter.before(track, fact.reading, fact.occurred, fact.sequence)
    if isinstance(fact.data, spindles.CounterReplaced):
        track = counter.exchange(track, fact.data, fact.occurred, fact.sequence)
    elif isinstance(fact.data, spindles.CounterMissed):
        track = counter.missed(counter.held(track, held), fact.data)
    elif read is not None:
        track = counter.read(track, read, fact.occurred, fact.sequence, held)
        if isinstance(fact.data, spindles.CounterRead) and track.flag == state.counter.flag:
            track = replace(track, pushed=True)
    elif not (isinstance(fact.data, spindles.Installed) and fact.data.counter is not None):
        track = counter.held(track, held)
    now = Moment(time=fact.occurred, count=track.count, sequence=fact.sequence)
    state = replace(
        state,
        counter=track,
        newest=now,
        newest_corrected=fact.corrected,
        rechecks=tuple(recheck.advance(each, now, away=state.away) for each in state.rechecks),
    )
    return state if _believed(state, read) is None else counted(state)


def _believed(state: SpindleState, read: int | None) -> int | None:
    """The count, where the newest fact carries the counter as read and that was counted."""
    track = state.counter
    return track.count if read is not None and (track.read_at, track.reading) == (state.newest.time, read) else None


def _watched(state: SpindleState, fact: Fact, known: References) -> SpindleState:
    """Notes since when clearance is withheld, and whether the count ran on beyond running in."""
    active = tuple(episode for episode in state.rechecks if episode.state in ACTIVE)
    withheld = not state.away and assess(state, active, state.newest).clearance == "withheld"
    if not withheld:
        return replace(state, withheld=None) if state.withheld is not None else state
    mark = state.withheld or Withheld(since=state.newest)
    if isinstance(fact.data, spindles.ClampExercised):
        mark = replace(mark, exercised=mark.exercised + fact.data.cycles)
    if isinstance(fact.data, spindles.NoseTorqued):
        asked = known.revision(state.sheet, fact.occurred).issued.run_in_cycles
        mark = replace(mark, running_in=mark.running_in + (asked if isinstance(asked, int) else 0))
    if mark.used is None and mark.since.count is not None:
        explained = max(mark.exercised, mark.running_in)
        if state.counter.count - mark.since.count > explained:
            mark = replace(mark, used=state.newest)
    return replace(state, withheld=mark)


def view(
    state: SpindleState,
    now: datetime,
    newest: tuple[int, datetime] | None = None,
    usual: timedelta | None = None,
) -> View:
    """The state at `now`, with the newest counted reading as (reading, time) where one is newer than the facts.

    `usual` is the usual pause between readings before that one, where it has been looked up.
    """
    track = state.counter
    counted_at = track.read_at
    if newest is not None and newest[1] > track.read_at and counter.can_have_reached(track, *newest):
        track, counted_at = counter.held(track, newest[0]), newest[1]
        track = replace(track, read_at=counted_at)
    moment = Moment(time=now, count=track.count, sequence=None)
    episodes = tuple(recheck.advance(each, moment, away=state.away) for each in state.rechecks)
    silent = silent_after(state, counted_at, counter.silence(usual))
    return View(
        now=moment,
        reading=track.reading,
        counted_at=counted_at,
        rechecks=episodes,
        assessment=assess(replace(state, counter=track), episodes, moment, silent),
        silent=silent,
        quiet=None if usual is not None else silent_after(state, counted_at, counter.SILENT_AFTER_LEAST),
    )


def next_look(state: SpindleState, view: View) -> datetime | None:
    """When time alone will next change what is seen."""
    if state.away:
        return None
    times = [recheck.next_time(each) for each in view.rechecks]
    concession = conceded(state)
    if concession is not None and concession.holds(view.now):
        times.append(concession.until)
    times += [view.quiet, view.silent]
    return min((time for time in times if time is not None and time > view.now.time), default=None)


def next_limit(state: SpindleState) -> tuple[int | None, datetime | None]:
    """The count and the time from which a reading is no longer plain, seen from the newest fact."""
    counts = [recheck.next_count(each) for each in state.rechecks]
    times = [recheck.next_time(each) for each in state.rechecks]
    concession = conceded(state)
    if concession is not None and concession.holds(state.newest):
        counts.append(concession.until_count)
        times.append(concession.until)
    after_newest = [count for count in counts if count is not None and count > state.counter.count]
    return (
        min(after_newest, default=None),
        min((time for time in times if time is not None and time > state.newest.time), default=None),
    )


def replay(
    key: str,
    facts: Iterable[Fact],
    known: References,
    *,
    strict: int | None = None,
    after: SpindleState | None = None,
) -> Iterator[Step]:
    """The steps of facts in order, of a whole history or after a state.

    The fact with sequence `strict` may be refused, the others not.
    """
    state = after
    for fact in facts:
        try:
            made = step(state, key, fact, known)
        except Refusal as refusal:
            if state is None or fact.sequence == strict:
                raise
            state = _moved_to(state, fact)
            made = _finished(state, Step(state=_running(state), refused=refusal.detail), fact, known)
        state = made.state
        yield made


def apply(state: SpindleState, fact: Fact, known: References) -> Step:  # noqa: C901 - one line a kind
    """One fact on a state that has been moved to its time; `state.newest` is the fact's moment."""
    data: SpindleData = _of_spindle(fact)
    revision = known.revision(state.sheet, fact.occurred)
    match data:
        case spindles.Commissioned():
            raise SpindleKnown(f"spindle {state.key!r} is commissioned already", pointer="/subject")
        case spindles.Removed():
            return Step(state=work.removed(state, data))
        case spindles.Installed():
            return Step(state=work.installed(state, data))
        case spindles.SheetAssigned():
            return Step(state=work.sheet_assigned(state, data, known))
        case spindles.Retired():
            return Step(state=work.left(state, "retired"))
        case spindles.ClampingSetReplaced():
            lot = None if data.lot is None else known.lots.get(data.lot)
            return Step(state=work.from_lot(work.rebuilt(state, data, revision), lot))
        case spindles.ComponentReplaced():
            return Step(state=work.component_replaced(state, data))
        case spindles.NoseAdjusted():
            return Step(state=work.adjusted(state, data, revision))
        case spindles.NoseTorqued():
            tool = None if data.tool is None else known.gauges.get(data.tool)
            counted_then = _believed(state, data.count)
            return Step(state=torqued(working(state, "torque"), data.torque.base, counted_then, tool))
        case spindles.ClampExercised():
            return Step(state=work.exercised(state, data))
        case spindles.SettingMeasured():
            return measured.setting_measured(state, data, revision, known)
        case spindles.DrawForceMeasured():
            return measured.force_measured(state, data, revision, known)
        case spindles.RunOutMeasured():
            return measured.run_out_measured(state, data, revision, known)
        case spindles.VisualChecked():
            return Step(state=checked(state, revision, "visual"))
        case spindles.ClampingSetGreased():
            return Step(state=checked(state, revision, "grease"))
        case spindles.ConditionNoted():
            return Step(state=work.condition_noted(state, data, revision))
        case spindles.ConditionResolved():
            return Step(state=work.condition_resolved(state, data))
        case spindles.CounterRead() | spindles.CounterReplaced() | spindles.CounterMissed():
            return Step(state=state)
        case spindles.RecheckDeferred():
            return Step(state=work.deferred(state, data))
        case spindles.ConcessionGranted():
            return work.conceded(state, data)
        case _:
            assert_never(data)


def _of_spindle(fact: Fact) -> SpindleData:
    data: Any = fact.data
    narrowed: SpindleData = data
    return narrowed
