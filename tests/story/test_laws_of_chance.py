"""Histories made by chance, with counters in bulk, late facts and corrections: a rebuild never changes anything."""

from datetime import timedelta
from random import Random
from typing import Any, Final

import pytest

from service.rebuild import rebuild
from tests.running import Json
from tests.story.every_kind import SPINDLE, Story, telling
from tests.story.test_every_kind_of_correction import BED_IN

REPEATED: Final = {
    "code": "again",
    "check": "setting",
    "after_cycles": 300,
    "since": "last_check",
    "repeat": True,
    "grace_cycles": 50,
}
REFUSED: Final = frozenset({"spindle_unknown", "old_end_contradicts", "until_passed"})
"""What chance may ask for in vain."""


class Chance:
    """One spindle to which something happens every few minutes."""

    def __init__(self, story: Story, seed: int) -> None:
        self.story, self.random = story, Random(seed)
        self.count = 118_000
        self.counted: list[Json] = []

    async def happen(self) -> None:
        self.story.now += timedelta(minutes=self.random.randrange(3, 50), seconds=self.random.randrange(60))
        self.count += self.random.randrange(0, 60)
        await self.random.choice(self.HAPPENINGS)(self)

    async def tell(self, kind: str, data: Json, *, earlier: timedelta = timedelta(0)) -> bool:
        at = self.story.now - earlier
        name = f"{kind} {len(self.story.told)} {self.random.random()}"
        answer = await self.story.ledger.send(self.story.sent(kind, data, f"spindles/{SPINDLE}", at, {"id": name}))
        self.story.now = at + earlier
        assert answer.status_code == 201 or answer.json()["code"] in REFUSED, answer.text
        if answer.status_code == 201 and kind == "counter.read":
            self.counted.append({"source": self.source, "id": name})
        return answer.status_code == 201

    @property
    def source(self) -> str:
        return str(self.story.told[0][0]["source"])

    async def push(self) -> None:
        await self.story.push(self.count, self.story.now)
        newest = (await self.story.ledger.history(SPINDLE))[-1]
        if newest["id"].startswith("reading:"):
            self.counted.append({"source": newest["source"], "id": newest["id"]})

    async def read(self) -> None:
        await self.tell("counter.read", {"count": self.count + self.random.choice((0, 0, 0, -40, 900))})

    async def measure(self) -> None:
        await self._measure(timedelta(0), {"count": self.count} if self.random.random() < 0.5 else {})

    async def measure_late(self) -> None:
        await self._measure(timedelta(minutes=self.random.randrange(60, 600)), {})

    async def _measure(self, earlier: timedelta, more: Json) -> None:
        depth = {"value": f"11.{self.random.randrange(36, 46)}", "unit": "mm"}
        readings = [{"angle": {"value": angle, "unit": "deg"}, "depth": depth} for angle in ("0", "180")]
        data = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"}
        await self.tell("setting.measured", data | more, earlier=earlier)

    async def rebuild(self) -> None:
        await self.tell("clamping_set.replaced", {"segments_seated": 6, "o_ring_fitted": True, "reason": "worn"})

    async def replace_counter(self) -> None:
        fresh = self.random.randrange(0, 1000)
        if await self.tell("counter.replaced", {"old_end": self.count, "new_start": fresh}):
            self.count = fresh
            self.counted.clear()

    async def correct(self) -> None:
        if self.counted:
            count = max(0, self.count - self.random.randrange(0, 150))
            said = {"target": self.random.choice(self.counted), "data": {"count": count}, "reason": "misread"}
            await self.tell("entry.corrected", said)

    async def void(self) -> None:
        if self.counted:
            await self.tell("entry.voided", {"target": self.random.choice(self.counted), "reason": "another's"})

    HAPPENINGS: Final[tuple[Any, ...]] = (
        *(push, push, push, read, read, measure, measure, measure_late, rebuild, replace_counter),
        *(correct, correct, correct, void),
    )


@pytest.mark.parametrize("seed", range(8))
async def test_a_rebuild_changes_nothing_after_whatever_happened(database_url: str, seed: int) -> None:
    async with telling(database_url, BED_IN, REPEATED, kept=False) as story:
        await story.rebuild()
        await story.prepare()
        await story.measure("11.40")
        chance = Chance(story, seed)
        for _ in range(40):
            await chance.happen()
        looked = [each async for each in rebuild(story.ledger.database)]
        told = [(str(each.differences), each.failed) for each in looked if each.differences or each.failed]
        assert told == []
        assert (await story.ledger.verified()).faults == []
