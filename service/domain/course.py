"""How a spindle's count rose over time, and when days ran: what limits of a rule that was not there are laid against.

Between two known counts the count rises evenly. Days do not run while the spindle is away from its machine.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from datetime import datetime, timedelta

from msgspec import Struct


class Point(Struct, frozen=True, kw_only=True):
    """A moment with the count then; `interpolated` where nobody read it."""

    time: datetime
    count: int
    interpolated: bool = False


class Course(Struct, frozen=True, kw_only=True):
    """Known counts in the order of time, never falling, and the times away: (from, until), None while it lasts."""

    points: tuple[Point, ...]
    away: tuple[tuple[datetime, datetime | None], ...] = ()

    def at(self, time: datetime) -> Point:
        """The count at a time; before the first and after the last known one it stands still."""
        place = bisect_right(self.points, time, key=_time)
        if place == 0:
            return Point(time=time, count=self.points[0].count)
        before = self.points[place - 1]
        if before.time == time or place == len(self.points):
            return Point(time=time, count=before.count)
        after = self.points[place]
        part = (time - before.time) / (after.time - before.time)
        count = before.count + round((after.count - before.count) * part)
        return Point(time=time, count=count, interpolated=True)

    def reached(self, count: int) -> Point | None:
        """When a count was first reached; None where it never was."""
        place = bisect_left(self.points, count, key=_count)
        if place == len(self.points):
            return None
        after = self.points[place]
        if place == 0 or after.count == count:
            return Point(time=after.time, count=count)
        before = self.points[place - 1]
        part = (count - before.count) / (after.count - before.count)
        return Point(time=before.time + (after.time - before.time) * part, count=count, interpolated=True)

    def days_after(self, time: datetime, days: int) -> datetime | None:
        """The end of so many days in a machine; None where it is away without an end before them."""
        end = time + timedelta(days=days)
        for left, back in self.away:
            if left >= end:
                break
            if back is None:
                return None
            if back > time:
                end += back - max(left, time)
        return end


def course_of(points: Sequence[Point], away: Sequence[tuple[datetime, datetime | None]]) -> Course:
    """The course through counts in any order; one that lies below an earlier one is left out."""
    kept: list[Point] = []
    for point in sorted(points, key=lambda each: (each.time, each.count)):
        if kept and point.count < kept[-1].count:
            continue
        if kept and kept[-1].time == point.time:
            kept.pop()
        kept.append(point)
    return Course(points=tuple(kept), away=tuple(away))


def _time(point: Point) -> datetime:
    return point.time


def _count(point: Point) -> int:
    return point.count
