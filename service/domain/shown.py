"""How a spindle's state, its rechecks and its measurements are written in answers and notices."""

from datetime import datetime
from decimal import Decimal
from typing import Any, Literal

from msgspec import Struct

from service.domain.fold import View
from service.domain.force_step import ForceStep, step_text
from service.domain.health import Reason
from service.domain.quantity import ShownQuantity, shown
from service.domain.recheck import Episode, Moment
from service.domain.spindle import SpindleState, conceded


class MomentShown(Struct, frozen=True, kw_only=True):
    time: datetime
    count: int | None
    entry: int | None


class RecheckShown(Struct, frozen=True, kw_only=True):
    """One episode. Counts are the state's count; `closed` is the check that satisfied it or what superseded it."""

    recheck: str
    check: str
    state: str
    episode: str
    since: MomentShown
    window_at_count: int | None
    window_at: datetime | None
    due_at_count: int | None
    due_at: datetime | None
    opened: MomentShown | None
    due: MomentShown | None
    overdue: MomentShown | None
    deferred_until: datetime | None
    deferred_until_count: int | None
    closed: MomentShown | None
    late: bool


class ConcessionShown(Struct, frozen=True, kw_only=True):
    """Leave for the setting of entry `given_for`, which or one no further out stands; `holds` until it has lapsed."""

    entry: int | None
    time: datetime
    check: str
    given_for: int
    until: datetime | None
    until_count: int | None
    reason: str
    holds: bool


class StateShown(Struct, frozen=True, kw_only=True):
    """A state as a receipt carries it. `health` is null while the spindle is not in a machine."""

    health: str | None
    reasons: tuple[Reason, ...]
    clearance: str
    lifecycle: str
    count: int
    counted_at: datetime
    rechecks: tuple[RecheckShown, ...]
    in_doubt_since: MomentShown | None = None
    concession: ConcessionShown | None = None


class SpindleShown(StateShown, frozen=True, kw_only=True):
    """A spindle as it is read: the state with what it is and where."""

    key: str
    serial: str
    plant: str
    hall: str | None
    machine: str | None
    position: str | None
    sheet: str
    last_setting: dict[str, Any] | None
    last_draw_force: dict[str, Any] | None
    last_run_out: dict[str, Any] | None
    clamping_set: dict[str, Any] | None
    conditions: tuple[dict[str, Any], ...]
    findings: tuple[dict[str, Any], ...]
    sequence: int
    settled_at: datetime


class OneDiscShown(Struct, frozen=True, kw_only=True):
    """What one broken disc of the sheet's stack takes of the force: its pieces staying, or falling out."""

    least: ShownQuantity
    most: ShownQuantity


class StepShown(Struct, frozen=True, kw_only=True):
    """A loss of draw force. `entry` is the measurement that it was found with, `began` the first that shows it,

    `before` the last that does not. `u` is the standard uncertainty of `size`; `expected` is what the force would have
    been. `one_disc` is what one broken disc of the sheet's stack takes at least and at most.
    """

    entry: int
    time: datetime
    count: int
    began: int
    before: int
    kind: Literal["disc_spring", "sudden", "slow"]
    size: ShownQuantity
    u: ShownQuantity
    expected: ShownQuantity
    one_disc: OneDiscShown | None
    reason: str
    text: str


def step_shown(step: ForceStep) -> StepShown:
    """Forces to a whole newton: none of it was ever exact."""
    disc = step.one_disc
    return StepShown(
        entry=step.entry,
        time=step.time,
        count=step.count,
        began=step.began,
        before=step.before,
        kind=step.kind,
        size=newtons(step.size),
        u=newtons(step.u),
        expected=newtons(step.before_n),
        one_disc=None
        if disc is None
        else OneDiscShown(least=newtons(disc.least * step.before_n), most=newtons(disc.most * step.before_n)),
        reason=step.reason,
        text=step_text(step),
    )


def newtons(value: float) -> ShownQuantity:
    """To a whole newton."""
    return shown(Decimal(round(value)), "N")


def moment_shown(moment: Moment | None) -> MomentShown | None:
    return None if moment is None else MomentShown(time=moment.time, count=moment.count, entry=moment.sequence)


def recheck_shown(episode: Episode) -> RecheckShown:
    since = moment_shown(episode.anchor)
    assert since is not None
    deferral = episode.deferral
    return RecheckShown(
        recheck=episode.code,
        check=episode.check,
        state=episode.state,
        episode=episode.episode,
        since=since,
        window_at_count=episode.window_at_count,
        window_at=episode.window_at,
        due_at_count=episode.due_at_count,
        due_at=episode.due_at,
        opened=moment_shown(episode.opened),
        due=moment_shown(episode.due),
        overdue=moment_shown(episode.overdue),
        deferred_until=None if deferral is None else deferral.until,
        deferred_until_count=None if deferral is None else deferral.until_count,
        closed=moment_shown(episode.closed),
        late=episode.late,
    )


def in_doubt_since(state: SpindleState) -> MomentShown | None:
    """The last proof of what is now in doubt: since then nobody knows."""
    check = None if state.away else _in_doubt(state)
    return None if check is None else moment_shown(state.proven.get(check))


def _in_doubt(state: SpindleState) -> str | None:
    """The first check whose newest measurement does not conform, is low, or warned without proving anything."""
    standing = {
        "setting": () if state.setting is None else (state.setting.verdict.outcome,),
        "draw_force": ()
        if state.force is None
        else ("low" if state.force.verdict.low else state.force.verdict.outcome,),
        "run_out": tuple(each.verdict.outcome for each in state.run_outs),
    }
    for check, outcomes in standing.items():
        if check in state.unproven_out or any(outcome != "conforming" for outcome in outcomes):
            return check
    return None


def state_shown(state: SpindleState, view: View) -> StateShown:
    """The state at the view's time."""
    return StateShown(
        health=view.assessment.health,
        reasons=view.assessment.reasons,
        clearance=view.assessment.clearance,
        lifecycle=state.lifecycle,
        count=_count(state, view),
        counted_at=view.counted_at,
        rechecks=tuple(recheck_shown(each) for each in view.rechecks),
        in_doubt_since=in_doubt_since(state),
        concession=concession_shown(state, view),
    )


def concession_shown(state: SpindleState, view: View) -> ConcessionShown | None:
    """The concession that speaks of what stands against the spindle, also one that has lapsed."""
    leave = None if state.away else conceded(state)
    if leave is None or leave.given_for is None:
        return None
    return ConcessionShown(
        entry=leave.at.sequence,
        time=leave.at.time,
        check=leave.check,
        given_for=leave.given_for.entry,
        until=leave.until,
        until_count=leave.until_count,
        reason=leave.reason,
        holds=leave.holds(view.now),
    )


def _count(state: SpindleState, view: View) -> int:
    return state.counter.count if view.now.count is None else view.now.count


def spindle_shown(state: SpindleState, view: View, sequence: int, settled_at: datetime) -> SpindleShown:
    """The spindle at the view's time; `sequence` is the newest of its stream."""
    installed = not state.away
    used = None if state.withheld is None else state.withheld.used
    finding = {"code": "used_while_withheld", "entry": None if used is None else used.sequence}
    shown = state_shown(state, view)
    return SpindleShown(
        **{name: getattr(shown, name) for name in StateShown.__struct_fields__},
        key=state.key,
        serial=state.serial,
        plant=state.place.plant,
        hall=state.place.hall if installed else None,
        machine=state.place.machine if installed else None,
        position=state.place.position if installed else None,
        sheet=state.sheet,
        last_setting=_measurement(state.last_setting, stands=state.last_setting == state.setting),
        last_draw_force=_measurement(state.last_draw_force, stands=state.last_draw_force == state.force),
        last_run_out=_measurement(state.last_run_out, stands=state.last_run_out in state.run_outs),
        clamping_set=_clamping_set(state),
        conditions=tuple(
            {
                "component": each.component,
                "code": each.code,
                "scheme": each.scheme,
                "text": each.text,
                "unusable": each.unusable,
                "entry": each.at.sequence,
                "time": each.at.time,
            }
            for each in state.conditions
        ),
        findings=() if used is None else (finding,),
        sequence=sequence,
        settled_at=settled_at,
    )


def _measurement(measurement: Any, *, stands: bool) -> dict[str, Any] | None:
    if measurement is None:
        return None
    at = measurement.at
    return {
        "entry": at.sequence,
        "time": at.time,
        "count": at.count,
        "stands": stands,
        "verdict": verdict_shown(measurement.verdict),
    }


def verdict_shown(verdict: Any) -> dict[str, Any]:
    """A verdict without the exact sums that are kept for later comparison."""
    return {name: getattr(verdict, name) for name in verdict.__struct_fields__ if name != "depth"}


def _clamping_set(state: SpindleState) -> dict[str, Any] | None:
    if state.rebuild is None:
        return None
    rebuild = state.rebuild
    return {
        "entry": rebuild.at.sequence,
        "rebuilt": rebuild.at.time,
        "rebuilt_at_count": rebuild.at.count,
        "lot": rebuild.lot,
        "reason": rebuild.reason,
        "missing": rebuild.missing,
        "accepted": moment_shown(state.accepted if state.job is None else None),
    }
