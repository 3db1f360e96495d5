"""Work on a spindle folded in: commissioning, moves, rebuilds, components, conditions, deferrals."""

from datetime import datetime
from decimal import localcontext
from typing import Final, Literal

from msgspec.structs import replace

from service.domain import counter, force_step, recheck
from service.domain.admissibility import RebuildRecord, rebuild_missing
from service.domain.concession import Concession
from service.domain.event import Fact, spindles
from service.domain.event.sheets import SettingDepth
from service.domain.force_step import ForceTrack
from service.domain.lot import Lot
from service.domain.nose_response import Turned
from service.domain.quantity import EXACT
from service.domain.recheck import ACTIVE, Deferral, Episode, Moment
from service.domain.sheet import Revision
from service.domain.spindle import (
    Job,
    OpenCondition,
    Rebuild,
    SpindleState,
    Stay,
    anchored,
    loosened,
    standing_against,
    superseded,
    working,
)
from service.domain.step import (
    BaselineAhead,
    ConditionUnknown,
    Finding,
    NotConceded,
    NotInPlace,
    RecheckUnknown,
    References,
    Step,
    StillInstalled,
    UntilPassed,
)

_BASELINE_OF = {"setting": "last_setting", "draw_force": "last_draw_force"}


def commissioned(key: str, fact: Fact, data: spindles.Commissioned, known: References) -> SpindleState:
    """The first state; rechecks since commissioning and since the last check (from a baseline if stated) begin."""
    revision = known.revision(data.sheet, fact.occurred)
    _check_baseline(data.baseline, fact.occurred)
    track = counter.begin(data.counter, fact.occurred)
    now = Moment(time=fact.occurred, count=track.count, sequence=fact.sequence)
    stay = Stay(
        sequence=fact.sequence,
        plant=data.plant,
        hall=data.hall,
        machine=data.machine,
        position=data.position,
        installed=fact.occurred,
    )
    state = SpindleState(
        key=key,
        serial=data.serial,
        sheet=data.sheet,
        lifecycle="installed",
        commissioned=now,
        stays=(stay,),
        counter=track,
        asks_setting=_asks_setting(revision),
        newest=now,
    )
    state = _with_last_checks(anchored(state, revision, "commissioning"), revision, data.baseline)
    state = _with_stated_rebuild(state, revision, data.baseline)
    rechecks = tuple(recheck.advance(each, now) for each in state.rechecks)
    return replace(state, rechecks=rechecks)


def _check_baseline(baseline: spindles.Baseline | None, commissioned_at: datetime) -> None:
    for name in ("rebuilt", "last_setting", "last_draw_force"):
        mark = getattr(baseline, name, None)
        if mark is not None and mark.time > commissioned_at:
            raise BaselineAhead(
                f"{name} lies after the commissioning; record it as an event", pointer=f"/data/baseline/{name}/time"
            )


def _asks_setting(revision: Revision) -> bool:
    return isinstance(revision.issued.setting_depth, SettingDepth)


def _with_last_checks(
    state: SpindleState, revision: Revision, baseline: spindles.Baseline | None = None
) -> SpindleState:
    """Begins what counts since the last check: one on record, else the baseline, else commissioning."""
    begun: list[Episode] = []
    for rule in revision.issued.rechecks:
        if rule.since != "last_check":
            continue
        start = state.checked.get(rule.check)
        stated = None if baseline is None else getattr(baseline, _BASELINE_OF.get(rule.check, ""), None)
        if start is None and stated is not None:
            start = Moment(time=stated.time, count=stated.count, sequence=None)
        start = start or state.commissioned
        begun.append(recheck.begin(state.subject, rule, state.newest, counted_from=start))
    return replace(state, rechecks=(*state.rechecks, *begun))


def _with_stated_rebuild(state: SpindleState, revision: Revision, baseline: spindles.Baseline | None) -> SpindleState:
    """Begins what counts since the rebuild from the one that is said to have been made: it proves nothing."""
    if baseline is None or baseline.rebuilt is None:
        return state
    start = Moment(time=baseline.rebuilt.time, count=baseline.rebuilt.count, sequence=None)
    begun = [
        recheck.begin(state.subject, rule, state.newest, counted_from=start)
        for rule in revision.issued.rechecks
        if rule.since == "rebuild"
    ]
    return replace(state, rechecks=(*state.rechecks, *begun))


def removed(state: SpindleState, data: spindles.Removed) -> SpindleState:
    """Out of its machine: scrap retires it."""
    if state.lifecycle != "installed":
        raise NotInPlace(f"spindle {state.key!r} is not installed anywhere", pointer="/subject")
    return left(state, "retired" if data.to == "scrap" else data.to)


def left(state: SpindleState, lifecycle: Literal["store", "repair", "retired"]) -> SpindleState:
    """Its stay ended; days stop running. A retired spindle's rechecks are superseded."""
    last = state.place
    stays = state.stays if last.removed is not None else (*state.stays[:-1], replace(last, removed=state.newest.time))
    away_since = state.away_since or state.newest.time
    state = replace(
        state,
        lifecycle=lifecycle,
        stays=stays,
        away_since=away_since,
        away_entry=state.newest.sequence,
        withheld=None,
    )
    if lifecycle == "retired":
        ended = tuple(recheck.supersede(each, state.newest) for each in state.rechecks)
        state = replace(state, rechecks=ended)
    return state


def installed(state: SpindleState, data: spindles.Installed) -> SpindleState:
    """In a machine again: the proof of the setting has ended, the limits of days move by the time away."""
    if state.lifecycle == "installed" and data.counter is not None:
        raise StillInstalled(
            f"spindle {state.key!r} is installed: record its removal, with the counter it left", pointer="/data/counter"
        )
    if state.lifecycle == "installed":
        state = left(state, "store")
    assert state.newest.sequence is not None
    back = state.newest.time
    away_since = state.away_since or back
    stay = Stay(
        sequence=state.newest.sequence,
        plant=data.plant,
        hall=data.hall,
        machine=data.machine,
        position=data.position,
        installed=state.newest.time,
    )
    track = state.counter
    if data.counter is not None:
        track = counter.moved(track, data.counter, back, state.newest.sequence)
    state = replace(
        state,
        lifecycle="installed",
        stays=(*state.stays, stay),
        away_since=None,
        away_entry=None,
        counter=track,
        rechecks=tuple(recheck.move_days(each, away_since, back) for each in state.rechecks),
    )
    return working(state, "reinstallation")


def sheet_assigned(state: SpindleState, data: spindles.SheetAssigned, known: References) -> SpindleState:
    """Another sheet holds from now: what was proven by the old one is not proven by the new."""
    revision = known.revision(data.sheet, state.newest.time)
    ended = tuple(recheck.supersede(each, state.newest) for each in state.rechecks)
    state = replace(
        state,
        sheet=data.sheet,
        asks_setting=_asks_setting(revision),
        rechecks=ended,
        setting=None,
        force=None,
        run_outs=(),
        proven={},
        unproven_out={},
        worked=state.newest,
        turned=None,
        observed_turns=(),
        force_track=ForceTrack(),
    )
    return _with_last_checks(anchored(state, revision, "commissioning"), revision)


def rebuilt(state: SpindleState, data: spindles.ClampingSetReplaced, revision: Revision) -> SpindleState:
    """The clamping set replaced: every earlier setting, force and run-out proves nothing any more.

    The nose is part of the set, so what earlier turns achieved is forgotten.
    """
    assert state.newest.sequence is not None
    rebuild = Rebuild(
        at=state.newest,
        record=RebuildRecord(
            sequence=state.newest.sequence,
            segments_seated=data.segments_seated,
            o_ring_fitted=data.o_ring_fitted,
            parts=data.parts,
        ),
        missing=rebuild_missing(data, revision),
        lot=data.lot,
        reason=data.reason,
    )
    state = replace(
        loosened(state),
        rebuild=rebuild,
        job=Job(kind="rebuild", at=state.newest),
        setting=None,
        force=None,
        run_outs=(),
        unproven_out={},
        concession=None,
        worked=state.newest,
        turned=None,
        observed_turns=(),
        force_track=force_step.moved(state.force_track, fresh=True),
    )
    state = superseded(state, frozenset({"acceptance", "rebuild", "adjustment"}))
    return anchored(state, revision, "rebuild")


def from_lot(state: SpindleState, lot: Lot | None) -> SpindleState:
    """Where the lot of the set that was just fitted has been withdrawn, a check opens then, or at once."""
    if lot is None or lot.withdrawn is None:
        return state
    opened = recheck.begin_at(
        state.subject, recheck.LOT_CHECK, "setting", state.newest, lot.withdrawn.occurred, since="rebuild"
    )
    return replace(state, rechecks=(*state.rechecks, opened))


_APART_FROM_FORCE: Final = frozenset({"nose", "o_ring"})


def component_replaced(state: SpindleState, data: spindles.ComponentReplaced) -> SpindleState:
    """The proof of the setting ends; a new nose or draw bar has to be torqued, and earlier turns tell nothing of it."""
    state = working(state, "component")
    if data.component not in _APART_FROM_FORCE:
        state = replace(state, force_track=force_step.moved(state.force_track))
    if data.component not in ("nose", "draw_bar"):
        return state
    return replace(loosened(state), observed_turns=())


def adjusted(state: SpindleState, data: spindles.NoseAdjusted, revision: Revision) -> SpindleState:
    """The nose turned, or its shim exchanged: it has to be torqued, and what counts since acceptance ends."""
    turned = _turned(state, data)
    state = superseded(working(loosened(state), "adjustment"), frozenset({"acceptance", "adjustment"}))
    return anchored(replace(state, turned=turned), revision, "adjustment")


def _turned(state: SpindleState, data: spindles.NoseAdjusted) -> Turned | None:
    """The turns since the setting that stood, this one included; None where none stood before the first of them."""
    assert state.newest.sequence is not None
    if data.turn is None:
        return None
    with localcontext(EXACT):
        inwards = data.turn.base if data.direction == "in" else -data.turn.base
        if state.turned is not None:
            inwards += state.turned.inwards_deg
            return replace(state.turned, inwards_deg=inwards, adjusted=state.newest.sequence)
    standing = state.setting
    if standing is None or standing.at.sequence is None or standing.at.count is None:
        return None
    return Turned(
        setting=standing.at.sequence,
        time=standing.at.time,
        count=standing.at.count,
        depth=standing.verdict.depth,
        inwards_deg=inwards,
        adjusted=state.newest.sequence,
    )


def exercised(state: SpindleState, data: spindles.ClampExercised) -> SpindleState:
    """Clamp cycles by hand: they run in what was torqued, and may move the depth."""
    run_in = replace(state.run_in, exercised=state.run_in.exercised + data.cycles)
    return replace(state, run_in=run_in, worked=state.newest)


def condition_noted(state: SpindleState, data: spindles.ConditionNoted, revision: Revision) -> SpindleState:
    noted = OpenCondition(
        at=state.newest,
        component=data.component,
        code=data.code,
        scheme=data.scheme,
        text=data.text,
        unusable=data.unusable,
    )
    state = replace(state, conditions=(*_without(state, data), noted))
    return anchored(state, revision, "condition", frozenset({data.code}))


def condition_resolved(state: SpindleState, data: spindles.ConditionResolved) -> SpindleState:
    remaining = _without(state, data)
    if len(remaining) == len(state.conditions):
        raise ConditionUnknown(
            f"no condition {data.code!r} of {data.component!r} is open on this spindle", pointer="/data/code"
        )
    return replace(state, conditions=remaining, worked=state.newest)


def _without(
    state: SpindleState, data: spindles.ConditionNoted | spindles.ConditionResolved
) -> tuple[OpenCondition, ...]:
    named = (data.component, data.code, data.scheme)
    return tuple(each for each in state.conditions if (each.component, each.code, each.scheme) != named)


def deferred(state: SpindleState, data: spindles.RecheckDeferred) -> SpindleState:
    """A recheck put off until a count or a time."""
    assert state.newest.sequence is not None
    if not any(each.code == data.recheck and each.state in ACTIVE for each in state.rechecks):
        raise RecheckUnknown(f"no recheck {data.recheck!r} is running on this spindle", pointer="/data/recheck")
    deferral = Deferral(sequence=state.newest.sequence, until=data.until, until_count=data.until_count)
    _check_until(data.until, data.until_count, state)
    return replace(
        state,
        rechecks=tuple(recheck.defer(each, deferral) if each.code == data.recheck else each for each in state.rechecks),
    )


def conceded(state: SpindleState, data: spindles.ConcessionGranted) -> Step:
    """Leave to run outside until a count or a time, for the setting that stands against the spindle.

    Where none stands it is taken down and said so, not refused: the measurement may still be on its way here. Of a
    setting that was corrected after the leave was given, another value was seen: it needs leave of its own.
    """
    if data.check != "setting":
        raise NotConceded(_NO_LEAVE[data.check], pointer="/data/check")
    _check_until(data.until, data.until_count, state)
    granted = Concession(
        at=state.newest,
        check=data.check,
        until=data.until,
        until_count=data.until_count,
        reason=data.reason,
        given_for=None if _corrected_since(state) else standing_against(state),
    )
    state = replace(state, concession=granted)
    if granted.given_for is not None:
        return Step(state=state)
    text = "No setting that is outside or undecided stands against this spindle: the leave is for nothing yet."
    return Step(state=state, findings=(Finding(code="nothing_to_concede", text=text),))


def _corrected_since(state: SpindleState) -> bool:
    """Whether the standing setting is from a correction that was recorded after the newest fact."""
    by = None if state.setting is None else state.setting.corrected
    return by is not None and state.newest.sequence is not None and by > state.newest.sequence


_NO_LEAVE: Final = {
    "draw_force": "no leave is taken for a draw force: it holds the tool",
    "run_out": "a run-out above its limit restricts a spindle and does not withhold it: no leave is needed",
    "visual": "a visual check is put off with recheck.deferred",
    "grease": "greasing is put off with recheck.deferred",
}


def _check_until(until: datetime | None, until_count: int | None, state: SpindleState) -> None:
    if until is not None and until <= state.newest.time:
        raise UntilPassed("until lies before the event itself", pointer="/data/until")
    if until_count is not None and until_count <= state.counter.count:
        raise UntilPassed(f"the count is {state.counter.count} already", pointer="/data/until_count")
