"""What a spindle's state has to tell: the notices that are true of it, and those that a change brings.

Rules of this file
- A notice's id comes from its cause, so that telling twice is telling once, whoever tells.
- Of one episode only its last state is told: due and already overdue makes one `recheck.overdue`.
- A step of the draw force stands while the force that showed it is the newest: later it is past, and history.
- An episode that goes on being due is not due anew because a late reading has moved the entry that crossed.
"""

from collections.abc import Iterable
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import replace

from service.domain.fold import View
from service.domain.health import worse
from service.domain.notice import Notice, notice_id
from service.domain.notice_data import NOTICE_DATA, episode_told, fitted
from service.domain.recheck import Episode, Moment
from service.domain.shown import moment_shown, recheck_shown, state_shown, step_shown, verdict_shown
from service.domain.spindle import SpindleState
from service.domain.turn import CAUTIONS

_TOLD: Final = {"open": "opened", "due": "due", "overdue": "overdue"}


class Seen(Struct, frozen=True, kw_only=True):
    """A state and how it looks at a time."""

    state: SpindleState
    view: View


def standing(seen: Seen) -> list[Notice]:
    """Every notice that is true of the state now, health apart."""
    notices = [
        _recheck(seen, episode, f"recheck.{_TOLD[episode.state]}", getattr(episode, _TOLD[episode.state]))
        for episode in seen.view.rechecks
        if episode.state in _TOLD
    ]
    state = seen.state
    if state.setting is not None and state.setting.verdict.outcome == "nonconforming":
        measured = {"verdict": verdict_shown(state.setting.verdict), "entry": state.setting.at.sequence}
        notices.append(_notice(seen, "setting.rejected", state.subject, state.setting.at, measured))
    if state.force is not None and (state.force.verdict.low or state.force.verdict.below_minimum):
        measured = {"verdict": verdict_shown(state.force.verdict), "entry": state.force.at.sequence}
        notices.append(_notice(seen, "draw_force.low", state.subject, state.force.at, measured, check="draw_force"))
    step = state.force_track.step
    if step is not None and state.force is not None and step.entry == state.force.at.sequence and step.kind != "slow":
        body = {"step": step_shown(step), "entry": step.entry, "cautions": CAUTIONS}
        notices.append(_notice(seen, "draw_force.stepped", state.subject, state.force.at, body, check="draw_force"))
    flag = state.counter.flag
    if flag is not None:
        at = Moment(time=flag.time, count=None, sequence=flag.sequence)
        notices.append(
            _notice(seen, "counter.backward", state.subject, at, {"code": flag.code, "reading": flag.reading})
        )
    silent = seen.view.silent
    if silent is not None and any(reason.code == "counter_silent" for reason in seen.view.assessment.reasons):
        at = Moment(time=silent, count=None, sequence=None)
        notices.append(_notice(seen, "counter.silent", state.subject, at, {"last_read": seen.view.counted_at}))
    return notices


def closings(after: Seen, closed: Iterable[Episode]) -> list[Notice]:
    """Episodes that had opened and are now satisfied or superseded."""
    return [
        _recheck(after, episode, f"recheck.{episode.state}", episode.closed)
        for episode in closed
        if episode.opened is not None
    ]


def taken_back(before: Seen, after: Seen, cause: str) -> list[Notice]:
    """Episodes that were told as open, due or overdue and, as is now known, are not: told as superseded."""
    now = {each.episode: each.state for each in after.view.rechecks}
    return [
        _notice(
            after,
            "recheck.superseded",
            episode.episode,
            after.view.now,
            {"recheck": recheck_shown(episode), "cautions": CAUTIONS},
            cause=cause,
            check=episode.check,
        )
        for episode in before.view.rechecks
        if episode.state in _TOLD and now.get(episode.episode, "waiting") == "waiting"
    ]


def changes(before: Seen | None, after: Seen) -> list[Notice]:
    """What is true now and was not true of the state as it was last seen.

    That an episode is open, due or overdue is told once, though a late fact may show that another entry crossed.
    """
    told = set() if before is None else {told_as(notice) for notice in standing(before)}
    return [notice for notice in standing(after) if told_as(notice) not in told]


def told_as(notice: Notice) -> tuple[str, str]:
    """What a notice tells, apart from its cause: its type with the episode, or with its own id."""
    recheck = episode_told(notice)
    return notice.type, notice.id if recheck is None else recheck.episode


def health_changed(seen: Seen, earlier: str | None, cause: str) -> Notice:
    """Health as it now is; `cause` is the entry or the limit that changed it."""
    now, assessment = seen.view.now, seen.view.assessment

    def with_first(count: int) -> Notice:
        body = {
            "earlier": earlier,
            "now": assessment.health,
            "reasons": assessment.reasons[:count],
            "left_out": len(assessment.reasons) - count,
            "href": f"/v1/spindles/{seen.state.key}",
        }
        return _notice(seen, "spindle.health_changed", seen.state.subject, now, body, cause=cause)

    notice = fitted(with_first, len(assessment.reasons))
    return replace(notice, health=worse(earlier, notice.health))


def _recheck(seen: Seen, episode: Episode, notice_type: str, moment: Moment | None) -> Notice:
    assert moment is not None
    body = {"recheck": recheck_shown(episode), "cautions": CAUTIONS}
    return _notice(seen, notice_type, episode.episode, moment, body, check=episode.check)


def _notice(
    seen: Seen,
    notice_type: str,
    about: str,
    moment: Moment,
    body: dict[str, Any],
    *,
    cause: str | None = None,
    check: str = "setting",
) -> Notice:
    """`check` is the one whose last proof is told."""
    state, shown = seen.state, state_shown(seen.state, seen.view)
    place = None if state.away else state.place
    return Notice(
        id=notice_id(notice_type, about, cause or (moment.time if moment.sequence is None else moment.sequence)),
        type=notice_type,
        subject=state.subject,
        time=moment.time,
        spindle=state.key,
        plant=state.place.plant,
        sequence=state.newest.sequence,
        health=shown.health,
        data=NOTICE_DATA[notice_type](
            spindle=state.key,
            plant=state.place.plant,
            hall=None if place is None else place.hall,
            machine=None if place is None else place.machine,
            position=None if place is None else place.position,
            health=shown.health,
            clearance=shown.clearance,
            count=shown.count,
            last_proof=moment_shown(state.proven.get(check)),
            **body,
        ),
    )
