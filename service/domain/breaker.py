"""How an endpoint is doing: when it is left in peace for a while, when that is announced, when it is given up."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final, Literal, get_args

from msgspec import Struct

FAILURES_TO_SLOW: Final = 3
"""From so many failures in a row on, one notice at a time tries whether the endpoint is back."""
FAILURES_TO_REST: Final = 10
"""From so many failures in a row on, nothing is sent for a while after each."""
REST_MIN: Final = timedelta(seconds=10)
REST_MAX: Final = timedelta(minutes=5)
FAILING_AFTER: Final = timedelta(hours=1)
"""An endpoint that few notices go to is called failing after this time without a success."""
DISABLE_AFTER: Final = timedelta(days=5)


class Tried(Struct, frozen=True, kw_only=True):
    """One attempt, as far as it tells how the endpoint is doing.

    `asked` is how long the endpoint asked to be left in peace, `exhausted` whether the notice is not tried again.
    """

    noted: datetime
    delivered: bool
    asked: timedelta = timedelta(0)
    exhausted: bool = False


class Standing(Struct, frozen=True, kw_only=True):
    """`failures` in a row, the first at `failing`, announced at `told`; nothing is sent before `rests`."""

    failures: int = 0
    failing: datetime | None = None
    told: datetime | None = None
    rests: datetime | None = None


WELL: Final = Standing()

Status = Literal["well", "failing", "resting", "disabled"]
STATUSES: Final[tuple[Status, ...]] = get_args(Status)


def status(standing: Standing, *, disabled: bool, now: datetime) -> Status:
    """An endpoint's standing in a word: disabled goes before resting, and that before failing.

    Resting is an endpoint that is left in peace for now; failing one whose last attempt did not succeed.
    """
    if disabled:
        return "disabled"
    if standing.rests is not None and standing.rests > now:
        return "resting"
    return "failing" if standing.failures else "well"


class Change(Struct, frozen=True, kw_only=True):
    """What attempts make of a standing. `announce`: it is failing; `give_up`: it has been for too long."""

    standing: Standing
    announce: bool = False
    give_up: bool = False


def after(standing: Standing, tried: Iterable[Tried], *, disable_after: timedelta = DISABLE_AFTER) -> Change:
    """What becomes of an endpoint after some attempts, in the order they were noted.

    A success ends whatever was before it. Rests are half as long as the endpoint has been failing, 10 s to 5 min, so
    that a short failure costs little and a long one few attempts; a rest that the endpoint asked for is kept.
    """
    announce = give_up = False
    for one in tried:
        if one.delivered:
            standing, announce, give_up = WELL, False, False
            continue
        failing = standing.failing or one.noted
        failures, lasted = standing.failures + 1, one.noted - failing
        rest = one.asked
        if failures >= FAILURES_TO_REST:
            rest = max(rest, min(max(lasted / 2, REST_MIN), REST_MAX))
        rests = max(standing.rests or one.noted, one.noted + rest) if rest else standing.rests
        told = standing.told
        if told is None and (failures >= FAILURES_TO_REST or lasted >= FAILING_AFTER):
            told, announce = one.noted, True
        give_up = give_up or (one.exhausted and lasted >= disable_after)
        standing = Standing(failures=failures, failing=failing, told=told, rests=rests)
    return Change(standing=standing, announce=announce, give_up=give_up)


def at_once(failures: int, concurrency: int) -> int:
    """How many notices may be on their way at once to an endpoint with so many failures in a row."""
    return 1 if failures >= FAILURES_TO_SLOW else concurrency
