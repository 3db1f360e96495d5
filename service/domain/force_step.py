"""Steps of the draw force: a sudden loss told from the scatter, from wear, and from what greasing would bring back.

Rules of this file
- What each force was expected to be comes from `force_filter`; a cumulative sum of the normal values decides. Its
  reference value and decision interval are chosen by run lengths: without a step it signals once in 1,960 checks,
  a step of four standard deviations after 1.5 checks on average (`run_length`).
- A step is found with the entry that makes the sum cross, once: the forces since it began are a new level.
- A rise is no step: somebody has done something that nobody recorded. It begins a new level in silence.
- What is kept is bounded, so that a spindle's state is.
"""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from math import sqrt
from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from service.domain.disc_spring import Stack
from service.domain.force_filter import Followed, Pull, follow
from service.domain.spring_loss import SpringLoss, loss_of_one

K: Final = 1.25
H: Final = 1.6
"""Reference value and decision interval, in standard deviations."""
KEPT: Final = 32
"""Forces that are kept to judge the next by; the sums and the filter have long forgotten older ones."""
SLOW_SHARE: Final = 0.03
"""Share of the force that is lost since the last greasing before it is worth telling. Ours."""
_SLOW_FEWEST: Final = 3
_SLOW_SURE: Final = 4.0
_GROWN: Final = 1.5
_AT_ONCE: Final = 0.7
_SUDDEN: Final = 0.5

Kind = Literal["disc_spring", "sudden", "slow"]


class ForcePoint(Pull, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A draw force that proves something, with its entry; `count` is the state's count."""

    entry: int

    @property
    def greased(self) -> int:
        """The count at which it was greased last, or fitted."""
        return self.count - self.dry


class ForceStep(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A loss of draw force, found with `entry`; `began` is the first entry that shows it, `before` the last that does

    not. `size` and `u` (its standard uncertainty) in N, `before_n` what was expected without it. `one_disc` is what
    one broken disc of the sheet's stack may take, None where the sheet states no stack; `reason` is a code.
    """

    entry: int
    time: datetime
    count: int
    began: int
    before: int
    size: float
    u: float
    before_n: float
    kind: Kind
    reason: str
    one_disc: SpringLoss | None = None


class ForceTrack(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The newest forces, the level that the next belongs to, the newest step, the largest slow loss told of (N)."""

    points: tuple[ForcePoint, ...] = ()
    level: int = 0
    fresh: bool = False
    step: ForceStep | None = None
    slow_told: float = 0.0


def moved(track: ForceTrack, *, fresh: bool = False) -> ForceTrack:
    """Something was done that may have moved the force; `fresh` where the set is new."""
    return replace(track, level=track.level + 1, fresh=track.fresh or fresh, step=None, slow_told=0.0)


def taken(track: ForceTrack, point: ForcePoint, stack: Stack | None) -> ForceTrack:
    """The track with a force that proves something, in its level; `step` is newer where the force made one."""
    if point.force <= 0:
        return track
    point = replace(point, level=track.level, fresh=track.fresh)
    points = (*track.points, point)[-KEPT:]
    track = replace(track, points=points, fresh=False)
    followed = follow(points)
    began, upward = crossing(points, followed.z)
    if began is None:
        return _slowly(track, followed)
    level = track.level + 1
    raised = tuple(replace(each, level=level) for each in points[began:])
    after = replace(track, points=(*points[:began], *raised), level=level)
    if upward:
        return after
    return replace(after, step=_step(points, began, followed, stack))


def crossing(points: Sequence[Pull], z: Sequence[float]) -> tuple[int | None, bool]:
    """Where the sum that crosses with the newest force began, None where none does; and whether it crosses upward."""
    for sign in (-1.0, 1.0):
        total, began = 0.0, 0
        for place, value in enumerate(z):
            if place == 0 or points[place].level != points[place - 1].level:
                total = 0.0
                continue
            if total == 0:
                began = place
            total = max(0.0, total + sign * value - K)
        if total > H:
            return began, sign > 0
    return None, False


def _step(points: tuple[ForcePoint, ...], began: int, followed: Followed, stack: Stack | None) -> ForceStep:
    """The step itself: what was expected had nothing happened, seen from before it began, against what came."""
    expected, spreads = [], []
    for point in points[began:]:
        foreseen = follow((*points[:began], point))
        expected.append(foreseen.expected[-1])
        spreads.append(foreseen.spread[-1])
    losses = [there - point.force for there, point in zip(expected, points[began:], strict=True)]
    n, sigma = len(losses), followed.sigma
    size = sum(losses) / n
    doubt = max(max(spreads) ** 2 - sigma**2, 0.0)
    newest = points[-1]
    found = ForceStep(
        entry=newest.entry,
        time=newest.time,
        count=newest.count,
        began=points[began].entry,
        before=points[began - 1].entry,
        size=round(size, 1),
        u=round(sqrt(doubt + sigma**2 / n), 1),
        before_n=round(sum(expected) / n, 1),
        kind="sudden",
        reason="stack_not_stated",
    )
    if n > 2 and losses[0] < _SUDDEN * size:
        return replace(found, kind="slow", reason=_greasing(points, sigma))
    if stack is None:
        return found
    loss = loss_of_one(stack, found.before_n)
    low, high = (share * found.before_n for share in (loss.least, loss.most))
    fits = size + 2 * found.u >= low and size - 2 * found.u <= high
    if fits:
        return replace(found, kind="disc_spring", reason="fits_one_disc", one_disc=loss)
    return replace(found, reason="less_than_one_disc" if size < low else "more_than_one_disc", one_disc=loss)


def _greasing(points: Sequence[ForcePoint], sigma: float) -> str:
    """What earlier greasings did, by two forces of one level with a greasing between them."""
    rises = [
        after.force - before.force
        for before, after in pairwise(points)
        if before.level == after.level and after.greased > before.greased and after.dry < before.dry
    ]
    if not rises:
        return "no_greasing_seen"
    helped = sum(rises) / len(rises) > 2 * sigma * sqrt(2 / len(rises))
    return "greasing_brought_it_back" if helped else "greasing_did_not_help"


def _slowly(track: ForceTrack, followed: Followed) -> ForceTrack:
    """A loss since the last greasing that is more than scatter and comes bit by bit; told anew where it has grown."""
    newest = track.points[-1]
    alike = (newest.level, newest.greased, newest.gauge)
    since = [each for each in track.points if (each.level, each.greased, each.gauge) == alike]
    if len(since) < _SLOW_FEWEST or since[-1].dry == since[0].dry:
        return track
    n = len(since)
    middle = sum(each.dry for each in since) / n
    spread = sum((each.dry - middle) ** 2 for each in since)
    slope = sum((each.dry - middle) * each.force for each in since) / spread
    span = since[-1].dry - since[0].dry
    size, u = -slope * span, followed.sigma * span / sqrt(spread)
    reason = _greasing(track.points, followed.sigma)
    worth = max(_SLOW_SURE * u, SLOW_SHARE * since[0].force, _GROWN * track.slow_told)
    at_once = max(before.force - after.force for before, after in pairwise(since))
    if size < worth or at_once > _AT_ONCE * size or reason == "greasing_did_not_help":
        return track
    found = ForceStep(
        entry=newest.entry,
        time=newest.time,
        count=newest.count,
        began=since[1].entry,
        before=since[0].entry,
        size=round(size, 1),
        u=round(u, 1),
        before_n=round(since[0].force, 1),
        kind="slow",
        reason=reason,
    )
    return replace(track, step=found, slow_told=found.size)


_TEXTS: Final = {
    "disc_spring": "fits one broken disc spring of the sheet's stack",
    "sudden": "came at once and is not what one broken disc spring takes",
    "slow": "came bit by bit since the last greasing; greasing may bring it back",
}
_MORE: Final = {
    "stack_not_stated": "came at once; the sheet states no spring stack, so nobody can say whether a disc spring broke",
    "no_greasing_seen": "came bit by bit; whether greasing brings it back has not been seen on this spindle",
    "greasing_did_not_help": "came bit by bit, and earlier greasings did not bring it back",
}


def step_text(step: ForceStep) -> str:
    """A step in a sentence or two, with what to do first."""
    said = _MORE.get(step.reason, _TEXTS[step.kind])
    first = (
        "Measure again with the gauge zeroed before anything is taken apart; what holds the tool may be damaged: "
        "follow the site's procedure and the maker's instructions, and let qualified people decide on use."
    )
    return (
        f"The draw force is {step.size:.0f} N (u = {step.u:.0f} N) below what its past lets expect. It {said}. {first}"
    )
