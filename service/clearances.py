"""Whether spindles may be used, asked for many at once: what each name stands for, judged now."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from msgspec import Struct

from service import projections
from service.domain.health import Reason
from service.domain.refusal import Refusal
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)


class SpindleUnknownHere(Refusal):
    """No spindle of that name for this key, or nothing installed in that place."""

    code = "spindle_unknown"


class PlaceAmbiguousHere(Refusal):
    code = "place_ambiguous"


class NotSettledYet(Refusal):
    """Another release stored the state, and it is being folded again."""

    code = "not_settled_yet"


class Cleared(Struct, frozen=True, kw_only=True):
    """What holds of one spindle: `counted_at` is when its count was read."""

    key: str
    clearance: str
    reasons: tuple[Reason, ...]
    count: int
    counted_at: datetime


async def clearances(tx: Transaction, names: Sequence[str], plants: Sequence[str] | None) -> list[Cleared | Refusal]:
    """For each name, a spindle's key or `machine/position`, what holds now, or why there is no answer.

    What time alone changes (a recheck, a counter that fell silent) is judged at `tx.now`, whatever is stored.
    """
    found: dict[int, list[Any]] = {}
    bound = None if plants is None else list(plants)
    keys = {number: name for number, name in enumerate(names) if "/" not in name}
    places = {number: name.partition("/") for number, name in enumerate(names) if "/" in name}
    rows = await tx.rows(SQL["by_key"], numbers=list(keys), keys=list(keys.values()), plants=bound) if keys else []
    if places:
        machines, positions = [each[0] for each in places.values()], [each[2] for each in places.values()]
        rows += await tx.rows(
            SQL["by_place"], numbers=list(places), machines=machines, positions=positions, plants=bound
        )
    for row in rows:
        found.setdefault(row["number"], []).append(row)
    return [_one(name, found.get(number, []), tx.now) for number, name in enumerate(names)]


def _one(name: str, rows: list[Any], now: datetime) -> Cleared | Refusal:
    if not rows:
        return SpindleUnknownHere(f"there is no spindle {name!r}")
    if len(rows) > 1:
        return PlaceAmbiguousHere(f"{name!r} is a place in more than one plant")
    try:
        stored = projections.stored_of(rows[0])
    except projections.FoldTooOld as late:
        return NotSettledYet(str(late))
    view = stored.view(max(now, stored.settled_at))
    return Cleared(
        key=rows[0]["key"],
        clearance=view.assessment.clearance,
        reasons=view.assessment.reasons,
        count=stored.state.counter.count if view.now.count is None else view.now.count,
        counted_at=view.counted_at,
    )
