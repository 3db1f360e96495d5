"""How a whole plant stands: spindles counted by health and clearance, with the rechecks that are due on them."""

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, Final, get_args

from msgspec import Struct

from service import projections
from service.domain.health import Clearance, Health
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)


class Counts(Struct, frozen=True, kw_only=True):
    """`health` counts those in a machine, `lifecycle` and `clearance` all. `rechecks` are those due and overdue."""

    spindles: int
    health: dict[str, int]
    clearance: dict[str, int]
    lifecycle: dict[str, int]
    rechecks: dict[str, int]


class HallCounts(Counts, frozen=True, kw_only=True):
    """`hall` is null for what is not in a machine."""

    hall: str | None


class PlantCounts(Counts, frozen=True, kw_only=True):
    plant: str
    halls: list[HallCounts]


class Overview(Counts, frozen=True, kw_only=True):
    """All that was asked for, and the same for each plant and each of its halls."""

    plants: list[PlantCounts]


class _Group(Struct, frozen=True, kw_only=True):
    """So many spindles that are alike."""

    plant: str
    hall: str | None
    lifecycle: str
    health: str | None
    clearance: str
    due: int
    overdue: int
    spindles: int


async def count_all(tx: Transaction, *, plant: str | None, plants: Sequence[str] | None) -> Overview:
    """The counts as they are now; states that time has changed are settled on the way. `plants` bound a key."""
    narrowed: dict[str, Any] = {"now": tx.now, "plant": plant, "plants": None if plants is None else list(plants)}
    groups = [_Group(**row) for row in await tx.rows(SQL["groups"], **narrowed)]
    for row in await tx.rows(SQL["late"], **narrowed):
        stored = projections.stored_of(row)
        seen = stored.view(stored.settled_by(tx.now)).assessment
        codes = Counter(reason.code for reason in seen.reasons)
        groups.append(
            _Group(
                plant=row["plant"],
                hall=row["hall"],
                lifecycle=row["lifecycle"],
                health=seen.health,
                clearance=seen.clearance,
                due=codes["recheck_due"],
                overdue=codes["recheck_overdue"],
                spindles=1,
            )
        )
    return Overview(**_counts(groups), plants=[_of_plant(each, groups) for each in sorted({g.plant for g in groups})])


def _of_plant(plant: str, groups: Iterable[_Group]) -> PlantCounts:
    mine = [group for group in groups if group.plant == plant]
    halls = sorted({group.hall for group in mine}, key=lambda hall: (hall is None, hall))
    return PlantCounts(
        **_counts(mine),
        plant=plant,
        halls=[HallCounts(**_counts([each for each in mine if each.hall == hall]), hall=hall) for hall in halls],
    )


def _counts(groups: Sequence[_Group]) -> dict[str, Any]:
    health = dict.fromkeys(get_args(Health), 0)
    clearance = dict.fromkeys(get_args(Clearance), 0)
    lifecycle = dict.fromkeys(("installed", "store", "repair", "retired"), 0)
    for group in groups:
        if group.health is not None:
            health[group.health] += group.spindles
        clearance[group.clearance] += group.spindles
        lifecycle[group.lifecycle] += group.spindles
    return {
        "spindles": sum(group.spindles for group in groups),
        "health": health,
        "clearance": clearance,
        "lifecycle": lifecycle,
        "rechecks": {"due": sum(group.due for group in groups), "overdue": sum(group.overdue for group in groups)},
    }
