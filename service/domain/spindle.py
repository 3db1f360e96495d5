"""The state of one spindle: what its facts amount to, and the small changes that several kinds of fact share.

Rules of this file
- A state is a value: every function answers a new one.
- `setting`, `force` and `run_outs` are the measurements that stand; work on the spindle ends them. What was last
  measured, standing or not, is kept beside them for showing.
- `force_track` is what the next draw force is judged by for a step; whatever may have moved the force begins a level.
- `worked` is when something was last done to the spindle that may change what is measured; `turned` is the nose turned
  since the setting that stood, `observed_turns` what such turns did. A rebuild, a new nose or draw bar forgets both.
- `causes` are what asks for work besides the rechecks, with those that the newest fact ended.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from service.domain import recheck
from service.domain.admissibility import Preparation, RebuildRecord, TorqueDoubt, TorqueRecord
from service.domain.cause import Cause
from service.domain.concession import Conceded, Concession, to_concede
from service.domain.counter import CounterTrack
from service.domain.event.sheets import Recheck, RunOutLimit
from service.domain.force_step import ForceTrack
from service.domain.gauge import Gauge
from service.domain.nose_response import ObservedTurn, Turned
from service.domain.quantity import EXACT
from service.domain.recheck import ACTIVE, RECALL_CHECK, Episode, Moment
from service.domain.sheet import Revision
from service.domain.verdict import ForceVerdict, RunOutVerdict, SettingVerdict

FOLD_VERSION: Final = 4
"""Raised when folding the same facts gives another state, so that stored states are made again."""

Lifecycle = Literal["installed", "store", "repair", "retired"]


class Stay(Struct, frozen=True, kw_only=True):
    """A time in one place; `removed` is None while it lasts."""

    sequence: int
    plant: str
    hall: str
    machine: str
    position: str
    installed: datetime
    removed: datetime | None = None


class Rebuild(Struct, frozen=True, kw_only=True):
    at: Moment
    record: RebuildRecord
    missing: tuple[str, ...]
    lot: str | None
    reason: str


class RunIn(Struct, frozen=True, kw_only=True):
    """Clamp cycles since the torque: exercised by hand, and the first and last count read since."""

    exercised: int = 0
    first: int | None = None
    last: int | None = None

    @property
    def cycles(self) -> int:
        rise = 0 if self.first is None or self.last is None else self.last - self.first
        return max(self.exercised, rise)


class Job(Struct, frozen=True, kw_only=True):
    """Work that must be followed by a conforming measurement before the spindle counts as accepted."""

    kind: Literal["rebuild", "adjustment", "torque", "component", "reinstallation"]
    at: Moment


class SettingMeasurement(Struct, frozen=True, kw_only=True):
    """`corrected` is the sequence of the correction that its data is from."""

    at: Moment
    verdict: SettingVerdict
    corrected: int | None = None


class ForceMeasurement(Struct, frozen=True, kw_only=True):
    at: Moment
    verdict: ForceVerdict


class RunOutMeasurement(Struct, frozen=True, kw_only=True):
    at: Moment
    verdict: RunOutVerdict


class OpenCondition(Struct, frozen=True, kw_only=True):
    at: Moment
    component: str
    code: str
    scheme: str | None
    text: str | None
    unusable: bool


class Withheld(Struct, frozen=True, kw_only=True):
    """Since when the clearance is withheld, and when it was used all the same.

    Running in explains the larger of the cycles exercised by hand and what the sheet asks for after each torque.
    """

    since: Moment
    exercised: int = 0
    running_in: int = 0
    used: Moment | None = None


class SpindleState(Struct, frozen=True, kw_only=True):
    key: str
    serial: str
    sheet: str
    lifecycle: Lifecycle
    commissioned: Moment
    stays: tuple[Stay, ...]
    counter: CounterTrack
    asks_setting: bool
    newest: Moment
    newest_corrected: int | None = None
    away_since: datetime | None = None
    away_entry: int | None = None
    rebuild: Rebuild | None = None
    needs_torque: bool = False
    torque: TorqueRecord | None = None
    torqued: Moment | None = None
    run_in: RunIn = RunIn()
    job: Job | None = None
    accepted: Moment | None = None
    setting: SettingMeasurement | None = None
    force: ForceMeasurement | None = None
    run_outs: tuple[RunOutMeasurement, ...] = ()
    last_setting: SettingMeasurement | None = None
    last_draw_force: ForceMeasurement | None = None
    last_run_out: RunOutMeasurement | None = None
    worked: Moment | None = None
    turned: Turned | None = None
    observed_turns: tuple[ObservedTurn, ...] = ()
    proven: dict[str, Moment] = {}
    checked: dict[str, Moment] = {}
    unproven_out: dict[str, Moment] = {}
    conditions: tuple[OpenCondition, ...] = ()
    concession: Concession | None = None
    rechecks: tuple[Episode, ...] = ()
    withheld: Withheld | None = None
    force_track: ForceTrack = ForceTrack()
    causes: tuple[Cause, ...] = ()

    @property
    def place(self) -> Stay:
        return self.stays[-1]

    @property
    def subject(self) -> str:
        return f"spindles/{self.key}"

    @property
    def away(self) -> bool:
        return self.lifecycle != "installed"


def conceded(state: SpindleState) -> Concession | None:
    """The concession that speaks of what now stands against the spindle, whether it still holds or has lapsed."""
    now = standing_against(state)
    covered = now is not None and state.concession is not None and state.concession.speaks_of(now)
    return state.concession if covered else None


def standing_against(state: SpindleState) -> Conceded | None:
    """The setting that stands and does not conform."""
    return None if state.setting is None else to_concede(state.setting.at.sequence, state.setting.verdict)


def silent_after(state: SpindleState, read_at: datetime, silence: timedelta) -> datetime | None:
    """When a counter last read then has been quiet for so long; None where nobody pushes it, or in store."""
    return max(read_at, state.place.installed) + silence if state.counter.pushed else None


def preparation(state: SpindleState) -> Preparation:
    """What is on record about the spindle before a measurement."""
    return Preparation(
        rebuild=None if state.rebuild is None else state.rebuild.record,
        needs_torque=state.needs_torque,
        torque=state.torque,
        run_in_cycles=None if state.torque is None else state.run_in.cycles,
    )


def working(state: SpindleState, kind: Literal["adjustment", "torque", "component", "reinstallation"]) -> SpindleState:
    """The proof of the setting ended by work on the spindle; an open rebuild stays the job it is.

    After other work than turning and torquing the depth has moved by more than the turn.
    """
    job = state.job if state.job is not None else Job(kind=kind, at=state.newest)
    if job.kind != "rebuild" and kind == "adjustment":
        job = Job(kind=kind, at=state.newest)
    doubts = without(state.unproven_out, "setting")
    turned = state.turned if kind in ("adjustment", "torque") else None
    return replace(state, job=job, setting=None, unproven_out=doubts, worked=state.newest, turned=turned)


def without(moments: dict[str, Moment], check: str) -> dict[str, Moment]:
    return {name: moment for name, moment in moments.items() if name != check}


def loosened(state: SpindleState) -> SpindleState:
    """The nose no longer torqued: what was torqued and run in before counts no more."""
    return replace(state, needs_torque=True, torque=None, torqued=None, run_in=RunIn())


def torqued(state: SpindleState, torque_nm: Decimal, counted: int | None, tool: Gauge | None) -> SpindleState:
    """Torqued at the newest fact; running in counts from here. `counted` is the count where it was read."""
    assert state.newest.sequence is not None
    found = None if tool is None or not tool.is_of("torque") else tool.recall_at(state.newest.time)
    doubt = None
    if tool is not None and found is not None and found.data.as_found is not None:
        error = found.data.as_found.base
        doubt = TorqueDoubt(
            tool=tool.key,
            calibration=found.sequence,
            found=found.occurred,
            error_nm=error,
            torque_nm=EXACT.subtract(torque_nm, error),
        )
    return replace(
        state,
        needs_torque=False,
        torque=TorqueRecord(sequence=state.newest.sequence, torque_nm=torque_nm, doubt=doubt),
        torqued=state.newest,
        run_in=RunIn(first=counted, last=counted),
    )


def counted(state: SpindleState) -> SpindleState:
    """A reading was counted: the rise since the torque runs the spindle in."""
    if state.torque is None:
        return state
    first = state.run_in.first if state.run_in.first is not None else state.counter.count
    return replace(state, run_in=replace(state.run_in, first=first, last=state.counter.count))


def with_rechecks(state: SpindleState, episodes: Iterable[Episode]) -> SpindleState:
    """Active episodes, and per code the newest closed one where none is active."""
    newest: dict[str, Episode] = {}
    active: list[Episode] = []
    for episode in episodes:
        if episode.state in ACTIVE:
            active.append(episode)
        else:
            newest[episode.code] = episode
    running = {episode.code for episode in active}
    closed = [episode for code, episode in newest.items() if code not in running]
    return replace(state, rechecks=(*closed, *active))


def superseded(state: SpindleState, since: frozenset[str]) -> SpindleState:
    """The active episodes that count since one of these anchors are superseded by the newest fact."""
    return replace(
        state,
        rechecks=tuple(
            recheck.supersede(episode, state.newest) if episode.since in since else episode
            for episode in state.rechecks
        ),
    )


def anchored(state: SpindleState, revision: Revision, since: str, codes: frozenset[str] | None = None) -> SpindleState:
    """Begins the rechecks of the sheet that count since this anchor, at the newest fact.

    With `codes` only those for one of these condition codes, and none that is running already.
    """
    wanted = [each for each in revision.issued.rechecks if each.since == since]
    if codes is not None:
        running = {episode.code for episode in state.rechecks if episode.state in ACTIVE}
        wanted = [each for each in wanted if codes.intersection(each.codes) and each.code not in running]
    begun = [recheck.begin(state.subject, each, state.newest) for each in wanted]
    return replace(state, rechecks=(*state.rechecks, *begun))


def checked(state: SpindleState, revision: Revision, check: str) -> SpindleState:
    """A check of this kind was made: open windows are satisfied, repeats and what counts from the last check begin.

    A window that is not open yet stays, except that what counts since the last check counts from this one.
    """
    rules: dict[str, Recheck] = {each.code: each for each in revision.issued.rechecks}
    episodes: list[Episode] = []
    begun: list[Episode] = []
    for episode in state.rechecks:
        if episode.check != check or episode.state not in ACTIVE:
            episodes.append(episode)
            continue
        rule = rules.get(episode.code)
        if episode.state == "waiting":
            if episode.code == RECALL_CHECK:
                episode = recheck.supersede(episode, state.newest)
            if rule is not None and rule.since == "last_check":
                episode = recheck.supersede(episode, state.newest)
                begun.append(recheck.begin(state.subject, rule, state.newest))
        else:
            episode = recheck.satisfy(episode, state.newest)
            if rule is not None and rule.repeat:
                begun.append(recheck.begin(state.subject, rule, state.newest))
        episodes.append(episode)
    made = {**state.checked, check: state.newest}
    worked = state.newest if check == "grease" else state.worked
    return replace(state, rechecks=(*episodes, *begun), checked=made, worked=worked)


def accepted_if_proven(state: SpindleState, revision: Revision) -> SpindleState:
    """Closes the open job where everything it must be accepted with conforms, and begins what counts from there."""
    if state.job is None:
        return state
    needs = revision.issued.accept_with if state.job.kind == "rebuild" or not state.asks_setting else ("setting",)
    if not all(_stands(state, revision, need) for need in needs):
        return state
    begun_before = tuple(
        each
        for each in state.rechecks
        if each.state not in ACTIVE or each.since != "acceptance" or each.anchor.sequence != state.newest.sequence
    )
    state = replace(state, job=None, accepted=state.newest, rechecks=begun_before)
    state = superseded(state, frozenset({"acceptance"}))
    return anchored(state, revision, "acceptance")


def accepts(verdict: SettingVerdict | ForceVerdict | RunOutVerdict) -> bool:
    """Whether it conforms, or did when it was made: what a recall leaves undecided does not open the job again."""
    recall = verdict.recall
    was_conforming = recall is not None and recall.without == "conforming"
    return verdict.outcome == "conforming" or (verdict.outcome == "undecided" and was_conforming)


def _stands(state: SpindleState, revision: Revision, check: str) -> bool:
    if check == "setting":
        return state.setting is not None and accepts(state.setting.verdict)
    if check == "draw_force":
        return state.force is not None and accepts(state.force.verdict)
    limits = revision.issued.run_out
    return isinstance(limits, tuple) and all(_stands_at(state, limit) for limit in limits)


def _stands_at(state: SpindleState, limit: RunOutLimit) -> bool:
    """Whether a conforming run-out stands at this place, at its distance where one is stated."""
    for standing in state.run_outs:
        verdict = standing.verdict
        distance = None if verdict.distance is None else Decimal(verdict.distance.value)
        if (
            accepts(verdict)
            and verdict.place == limit.place
            and (limit.distance is None or limit.distance.base == distance)
        ):
            return True
    return False
