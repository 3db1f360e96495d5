"""Concessions: leave to run with a setting that does not conform, what it speaks of, and when it lapses.

One ends with a setting that conforms and with the clamping set (measured.py, work.py).
"""

from datetime import datetime
from decimal import Decimal, localcontext
from typing import Literal

from msgspec import Struct

from service.domain.quantity import EXACT
from service.domain.recheck import Moment
from service.domain.verdict import MeasuredDepth, SettingVerdict, depth_shift


class Conceded(Struct, frozen=True, kw_only=True):
    """A setting that does not conform: its entry, its depth, and how far beyond the nearer limit.

    `beyond` is in mm times the depth's divisor; below zero it lies inside, that near to the limit.
    """

    entry: int
    depth: MeasuredDepth
    side: Literal["above", "below"]
    beyond: Decimal


class Concession(Struct, frozen=True, kw_only=True):
    """Leave to run outside; `given_for` is None where no setting stood against the spindle when it was given."""

    at: Moment
    check: str
    until: datetime | None
    until_count: int | None
    reason: str
    given_for: Conceded | None = None

    def holds(self, now: Moment) -> bool:
        lapsed_by_time = self.until is not None and now.time >= self.until
        lapsed_by_count = self.until_count is not None and now.count is not None and now.count >= self.until_count
        return not (lapsed_by_time or lapsed_by_count)

    def speaks_of(self, now: Conceded) -> bool:
        """Whether the leave covers a setting: the one it was given for, or a later one no further out on that side.

        One that has moved further out, by more than the gauge's doubt, needs leave of its own.
        """
        then = self.given_for
        if then is None or now.side != then.side:
            return False
        with localcontext(EXACT):
            further = now.beyond * then.depth.divisor > then.beyond * now.depth.divisor
        shift = depth_shift(then.depth, now.depth) if further else None
        return not further or (shift is not None and not shift.moved)


def to_concede(entry: int | None, verdict: SettingVerdict) -> Conceded | None:
    """What leave can be given for: a setting out of its limits or undecided; None where it conforms or proves nothing.

    A setting's sheet states both limits.
    """
    limits, depth = verdict.limits, verdict.depth
    if entry is None or verdict.outcome not in ("nonconforming", "undecided"):
        return None
    assert limits.lower is not None
    assert limits.upper is not None
    with localcontext(EXACT):
        above = depth.total_mm - Decimal(limits.upper.value) * depth.divisor
        below = Decimal(limits.lower.value) * depth.divisor - depth.total_mm
    return Conceded(entry=entry, depth=depth, side="above" if above >= below else "below", beyond=max(above, below))
