"""Work orders: one per spindle and cause, with what to do, how urgent it is, and what ended it.

Rules of this file
- An order follows from a state at a time and from nothing else, so that whoever derives it derives the same.
- A recheck opens its order when it is due; overdue or put off, it is the same order with another priority and
  `due_by`. A check that opens by itself (a repeat, a recall) opens its order at once. A window alone opens none.
- States are words of ISA-95's request state, written small (the B2MML schema's RequestStateType): here released, held,
  completed and cancelled; the others are the maintenance system's to say (`Planned`).
- Priority is 1 (first) to 4, by the health of the cause itself; the order of the four is ours.
"""

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any, Final, Literal

from msgspec import Struct

from service.domain.cause import Cause, JobOrder, Tool
from service.domain.health import WORST_FIRST
from service.domain.recheck import BY_ITSELF, LOT_CHECK, RECALL_CHECK, REPEAT_CHECK, Episode, Moment, digest
from service.domain.shown import MomentShown, moment_shown
from service.domain.spindle import SpindleState, conceded
from service.domain.step import Step

CauseName = Literal[
    "recheck", "repeat_check", "gauge_suspect", "lot_suspect", "setting", "draw_force", "run_out", "condition"
]
OrderState = Literal["released", "held", "completed", "cancelled"]
PlannedState = Literal["waiting", "ready", "running", "held", "suspended", "closed"]
RequestState = Literal[
    "released", "waiting", "ready", "running", "held", "suspended", "completed", "closed", "cancelled"
]
Proof = Literal["awaited", "missing", "given", "given_after_closing", "not_needed"]
OPEN: Final = frozenset({"released", "held"})
"""The states, of those that the ledger gives, in which there is something to do."""


class EndedShown(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What ended an order: the entry that proved the job done, or that took its cause away.

    `because`: proven, resolved, superseded, retired, sheet_assigned, no_longer_unusable, or withdrawn; then `by` names
    what showed that there had been no cause. `late` where a recheck had been overdue.
    """

    time: datetime
    count: int | None
    entry: int | None
    because: str
    late: bool = False
    by: str | None = None


class WorkOrder(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the ledger says of an order. `about` tells two of a cause apart: a recheck's code, a place, a component.

    `entry` is the newest entry that shows the cause, None where only time passed. `due_by` is when it becomes overdue,
    where that is known; by cycles, `due_by_count` is the last count at which it is not.
    """

    id: str
    cause: CauseName
    about: str
    state: OrderState
    reason: str
    text: str
    health: str
    priority: int
    spindle: str
    plant: str
    hall: str | None
    machine: str | None
    position: str | None
    sheet: str
    check: str | None
    episode: str | None
    opened: MomentShown
    entry: int | None
    due_by: datetime | None
    due_by_count: int | None
    job: JobOrder
    ended: EndedShown | None


class Planned(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the maintenance system says of an order. `state` is its word for how far it is, None where it has not
    taken it; `assignee` a pseudonym; `number` its own number of the order."""

    state: PlannedState | None = None
    start: datetime | None = None
    end: datetime | None = None
    assignee: str | None = None
    number: str | None = None
    note: str | None = None


def shown_state(state: OrderState, planned: PlannedState | None) -> RequestState:
    """The one state of an order: the ledger ends it, the maintenance system says how far it is until then."""
    if state not in OPEN:
        return state
    return planned or state


def proof_of(state: OrderState, *, closed: datetime | None, ended: datetime | None) -> Proof:
    """Whether the job is proven. `closed` is when it was closed outside, `ended` when the ledger ended it."""
    if state == "cancelled":
        return "not_needed"
    if state == "completed":
        return "given_after_closing" if closed is not None and ended is not None and closed <= ended else "given"
    return "awaited" if closed is None else "missing"


def open_orders(state: SpindleState, episodes: Iterable[Episode], now: Moment) -> tuple[WorkOrder, ...]:
    """The orders that a state asks for at a time, with its rechecks as they are then."""
    by_cause = [_of_cause(state, each, now) for each in state.causes if each.ended is None]
    by_recheck = [_of_episode(state, each) for each in episodes if each.state in _ASKS and _asks(each)]
    return (*by_cause, *by_recheck)


def ended_orders(steps: Iterable[Step]) -> Iterator[WorkOrder]:
    """The orders that facts ended, each as it was left."""
    for made in steps:
        state = made.state
        yield from (_of_cause(state, each, state.newest) for each in state.causes if each.ended is not None)
        yield from (_of_episode(state, each) for each in made.closed if _asks(each))


_ASKS: Final = frozenset({"open", "due", "overdue", "deferred"})


def _asks(episode: Episode) -> bool:
    return episode.due is not None or (episode.code in BY_ITSELF and episode.opened is not None)


_CAUSE_OF: Final[dict[str, CauseName]] = {
    REPEAT_CHECK: "repeat_check",
    RECALL_CHECK: "gauge_suspect",
    LOT_CHECK: "lot_suspect",
}


def _of_cause(state: SpindleState, cause: Cause, now: Moment) -> WorkOrder:
    leave = conceded(state) if cause.kind == "setting" and cause.ended is None else None
    holds = leave is not None and leave.holds(now)
    return WorkOrder(
        id=digest("wo", state.subject, cause.kind, cause.about, cause.root),
        cause=cause.kind,
        about=cause.about,
        state=cause.how or "released",
        reason=cause.reason,
        text=cause.text,
        health=cause.health,
        priority=_priority(cause.health),
        **_place(state),
        check=None if cause.kind == "condition" else cause.kind,
        episode=None,
        opened=_moment(cause.opened),
        entry=cause.evidence.sequence,
        due_by=leave.until if leave is not None and holds else None,
        due_by_count=leave.until_count if leave is not None and holds else None,
        job=cause.job,
        ended=None if cause.ended is None else _ended(cause.ended, cause.because or ""),
    )


def _of_episode(state: SpindleState, episode: Episode) -> WorkOrder:
    opened = episode.due or episode.opened
    assert opened is not None
    reason, text, health = _reason(episode)
    due_by, due_by_count = _due_by(episode)
    overdue = reason == "recheck_overdue"
    return WorkOrder(
        id=digest("wo", state.subject, "recheck", episode.episode),
        cause=_CAUSE_OF.get(episode.code, "recheck"),
        about=episode.code,
        state=_STATE_OF.get(episode.state, "released"),
        reason=reason,
        text=text,
        health=health,
        priority=_priority(health) - ((1 + (episode.when_overdue == "withhold")) if overdue else 0),
        **_place(state),
        check=episode.check,
        episode=episode.episode,
        opened=_moment(opened),
        entry=opened.sequence,
        due_by=due_by,
        due_by_count=due_by_count,
        job=JobOrder(steps=_CHECK_STEPS[episode.check], tools=_CHECK_TOOLS[episode.check], minutes=episode.minutes),
        ended=_episode_ended(episode),
    )


_STATE_OF: Final[dict[str, OrderState]] = {"deferred": "held", "satisfied": "completed", "superseded": "cancelled"}


def _episode_ended(episode: Episode) -> EndedShown | None:
    if episode.closed is None:
        return None
    because = "proven" if episode.state == "satisfied" else "superseded"
    return _ended(episode.closed, because, late=episode.late)


def _ended(moment: Moment, because: str, *, late: bool = False) -> EndedShown:
    return EndedShown(time=moment.time, count=moment.count, entry=moment.sequence, because=because, late=late)


def _moment(moment: Moment) -> MomentShown:
    found = moment_shown(moment)
    assert found is not None
    return found


def _place(state: SpindleState) -> dict[str, Any]:
    place = None if state.away else state.place
    return {
        "spindle": state.key,
        "plant": state.place.plant,
        "hall": None if place is None else place.hall,
        "machine": None if place is None else place.machine,
        "position": None if place is None else place.position,
        "sheet": state.sheet,
    }


def _priority(health: str) -> int:
    """1 for failure to 4 for maintenance_required; a recheck that is overdue comes one before that, or two where it
    withholds."""
    return [*WORST_FIRST].index(health) + 1  # type: ignore[arg-type]


def _reason(episode: Episode) -> tuple[str, str, str]:
    """Code, sentence and health, with the words of health."""
    if episode.code == REPEAT_CHECK:
        return "unproven_out", "A measurement that proves nothing lay outside the limits.", "function_check"
    if episode.code == RECALL_CHECK:
        return "gauge_suspect", "A gauge or tool that this was judged by was found out afterwards.", "function_check"
    if episode.code == LOT_CHECK:
        return "lot_withdrawn", "The lot of the fitted clamping set was withdrawn.", "function_check"
    if episode.state == "deferred":
        return "recheck_deferred", f"Recheck {episode.code} was put off.", "maintenance_required"
    if episode.overdue is not None:
        return "recheck_overdue", f"Recheck {episode.code} is overdue.", "maintenance_required"
    return "recheck_due", f"Recheck {episode.code} is due.", "maintenance_required"


def _due_by(episode: Episode) -> tuple[datetime | None, int | None]:
    """When it becomes, or became, overdue; put off, the end of that. Without any grace it is the limit itself."""
    if episode.deferral is not None:
        return episode.deferral.until, episode.deferral.until_count
    if episode.overdue_at is not None or episode.overdue_at_count is not None:
        return episode.overdue_at, episode.overdue_at_count
    crossed = episode.overdue
    if crossed is None:
        return None, None
    return (crossed.time, None) if crossed.count is None else (None, crossed.count)


_CHECK_TOOLS: Final[dict[str, tuple[Tool, ...]]] = {
    "setting": (Tool(kind="depth"),),
    "draw_force": (Tool(kind="force"),),
    "run_out": (Tool(kind="run_out"),),
    "visual": (),
    "grease": (),
}
_CHECK_STEPS: Final[dict[str, tuple[str, ...]]] = {
    "setting": (
        "Release the draw bar and zero the depth gauge.",
        "Measure the setting depth: two readings 180 degrees apart.",
        "Record them as setting.measured, with the gauge and the counter as read.",
    ),
    "draw_force": (
        "Zero the force gauge, and clamp it in the spindle.",
        "Pull as often as the setting sheet asks.",
        "Record the pulls as draw_force.measured, with the gauge and the counter as read.",
    ),
    "run_out": (
        "Clean the taper and the arbor.",
        "Measure the run-out at each place that the setting sheet has a limit for.",
        "Record each as run_out.measured, with the gauge and the counter as read.",
    ),
    "visual": (
        "Look at the clamping set: segments, sleeve, o-ring, nose.",
        "Record what was seen as visual.checked.",
    ),
    "grease": (
        "Grease the clamping set as the maker asks.",
        "Record it as clamping_set.greased.",
    ),
}
