"""The past, asked for again: what was answered then, what is known of it now, and what had happened by a time."""

from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any, Final

from service.silence import HEARD_LATELY
from tests.domain.skerrow import mm
from tests.running import Json, Running, differences
from tests.story.every_kind import SPINDLE, Story, sheet_of, standing, telling
from tests.story.loading import ago
from tests.story.test_every_kind_of_correction import BED_IN, correct, depths, target, void

YEARLY: Final = {"code": "yearly", "check": "draw_force", "after_days": 60, "since": "last_check", "grace_days": 10}
PATHS: Final = (f"/v1/spindles/{SPINDLE}", f"/v1/spindles/{SPINDLE}/clearance", f"/v1/spindles/{SPINDLE}/measurements")
SHOWN: Final = {"settled_at", "as_of", "work_orders"}
"""When it was computed, and the orders that are open, which are told of now alone."""


async def answers(ledger: Running, **times: str) -> Json:
    """What every caller sees of the spindle, now or then, but for that."""
    found: Json = {}
    for path in PATHS:
        answer = await ledger.client.get(path, params=times)
        assert answer.status_code == 200, answer.text
        found[path] = {name: value for name, value in answer.json().items() if name not in SHOWN}
    rechecks = await ledger.client.get("/v1/rechecks", params={"spindle": SPINDLE, **times})
    assert rechecks.status_code == 200, rechecks.text
    found["rechecks"] = sorted(rechecks.json()["items"], key=lambda each: each["episode"])
    board = await ledger.client.get("/v1/spindles", params=times)
    found["board"] = [
        {name: value for name, value in each.items() if name not in SHOWN} for each in board.json()["items"]
    ]
    return found


class Year:
    """A year of one spindle, told day by day by a clock that is moved; what is answered is noted with the times."""

    def __init__(self, story: Story, seed: int) -> None:
        self.story, self.random = story, Random(seed)
        self.count = 118_000
        self.noted: list[tuple[datetime, datetime, Json]] = []
        self.correctable: list[tuple[Json, str]] = []

    async def day(self, day: datetime) -> None:
        ledger, story, chance = self.story.ledger, self.story, self.random
        ledger.database.clock_shift = day - datetime.now(UTC)
        story.now = day - timedelta(hours=6)
        self.count += chance.randrange(0, 240)
        if chance.random() < 0.8:
            await story.push(self.count, day - timedelta(hours=5))
        for happening in chance.sample(self.HAPPENINGS, k=chance.choice((0, 1, 1, 2))):
            await happening(self)
        # A counter that was heard of a moment ago is not asked for its silence yet, however old its reading.
        ledger.database.clock_shift += HEARD_LATELY + timedelta(seconds=1)
        await ledger.sweep()
        seen_at = datetime.now(UTC) + ledger.database.clock_shift
        self.noted.append((seen_at, datetime.now(UTC), await answers(ledger)))

    async def rebuilt(self) -> None:
        await self.story.rebuild(count=self.count)
        await self.story.prepare()
        await self.measured()

    async def measured(self) -> None:
        depth = f"{11.40 + self.random.choice((-0.07, -0.03, 0.0, 0.02, 0.06)):.2f}"
        await self.story.measure(depth)
        self.correctable.append((target(self.story), "depth"))

    async def pulled(self) -> None:
        await self.story.pull("20.1", "20.4", "20.2", "20.3")

    async def counted(self) -> None:
        self.count += 1
        await self.story.count(self.count, at=self.story.now + timedelta(minutes=5))
        self.correctable.append((target(self.story), "count"))

    async def late(self) -> None:
        now = self.story.now
        self.story.now = now - timedelta(days=self.random.randrange(1, 20))
        await self.story.measure("11.41")
        self.story.now = now

    async def corrected(self) -> None:
        if not self.correctable:
            return
        named, what = self.random.choice(self.correctable)
        if self.random.random() < 0.3:
            await void(self.story, named)
            self.correctable.append((target(self.story), what))
        elif what == "depth":
            await correct(self.story, named, depths(f"11.{self.random.randrange(34, 48)}"))
        if what == "count" and self.random.random() < 0.5:
            await correct(self.story, named, {"count": self.count - self.random.randrange(0, 400)})

    async def sheet(self) -> None:
        revision = 2 + sum(1 for sent, _ in self.story.told if sent["type"] == "sheet.issued")
        whole = sheet_of(BED_IN, YEARLY, revision=revision, run_in_cycles=self.random.choice((2, 3)))
        whole["valid_from"] = (self.story.now + timedelta(days=self.random.randrange(-5, 5))).isoformat()
        await self.story.tell("sheet.issued", whole, of="sheets/SKERROW-A")

    async def calibrated(self) -> None:
        due = (self.story.now + timedelta(days=90)).date().isoformat()
        data = {"expanded_uncertainty": mm("0.006"), "k": "2", "correction": mm("0.001"), "due": due}
        await self.story.tell("gauge.calibrated", data, of="gauges/DG-03")

    HAPPENINGS: Final[tuple[Any, ...]] = (
        rebuilt,
        measured,
        measured,
        pulled,
        counted,
        late,
        corrected,
        corrected,
        sheet,
        calibrated,
    )


async def test_what_was_answered_in_a_year_is_answered_again_for_each_of_its_days(database_url: str) -> None:
    since = ago(days=500).isoformat()
    async with telling(database_url, BED_IN, YEARLY, commissioned=False, since_days=400, valid_from=since) as story:
        year = Year(story, 2)
        begins = ago(days=360)
        story.ledger.database.clock_shift = begins - datetime.now(UTC)
        story.now = begins - timedelta(hours=7)
        await story.commission()
        for number in range(60):
            await year.day(begins + timedelta(days=6 * number))
        story.ledger.database.clock_shift = timedelta(0)
        for seen_at, recorded_by, answered in year.noted:
            then = await answers(story.ledger, as_of=seen_at.isoformat(), known_at=recorded_by.isoformat())
            assert differences(answered, then) == {}, seen_at
        told = {sent["type"] for sent, _ in story.told}
        assert told >= {"entry.corrected", "entry.voided", "gauge.calibrated", "sheet.issued", "draw_force.measured"}
        assert len({str(answered) for _, _, answered in year.noted}) > 55


async def test_as_of_is_what_is_known_now_of_then_and_known_at_what_was_known_then(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.47")
        wrong, at = target(story), story.now
        then = datetime.now(UTC)
        await correct(story, wrong, depths("11.41"))
        ledger = story.ledger
        as_of = (await ledger.client.get(PATHS[0], params={"as_of": at.isoformat()})).json()
        known_at = (await ledger.client.get(PATHS[0], params={"known_at": then.isoformat()})).json()
        before = (at - timedelta(seconds=1)).isoformat()
        unmeasured = (await ledger.client.get(PATHS[0], params={"as_of": before})).json()
        assert standing(as_of) == ("normal", "cleared")
        assert standing(known_at) == ("out_of_specification", "withheld")
        assert unmeasured["last_setting"] is None
        now = await answers(ledger)
        assert differences(now, await answers(ledger, as_of=datetime.now(UTC).isoformat())) == {}


async def test_what_was_not_yet_or_is_still_to_come_is_answered_with_a_problem(database_url: str) -> None:
    async with telling(database_url) as story:
        client, path = story.ledger.client, PATHS[0]
        early = await client.get(path, params={"as_of": ago(days=400).isoformat()})
        assert (early.status_code, early.json()["code"]) == (404, "spindle_not_found")
        late = await client.get(path, params={"known_at": "2999-01-01T00:00:00Z"})
        assert (late.status_code, late.json()["code"]) == (400, "time_to_come")
        assert late.json()["errors"][0]["parameter"] == "known_at"
        none = await client.get(path, params={"as_of": "yesterday"})
        assert (none.status_code, none.json()["errors"][0]["parameter"]) == (422, "as_of"), none.text
        all_of_them = await client.get("/v1/rechecks", params={"as_of": ago(days=1).isoformat()})
        assert (all_of_them.status_code, all_of_them.json()["code"]) == (400, "spindle_needed")


async def test_pages_of_the_past_follow_each_other(database_url: str) -> None:
    async with telling(database_url) as story:
        for depth in ("11.40", "11.41", "11.42"):
            await story.measure(depth)
        params: Json = {"as_of": datetime.now(UTC).isoformat(), "limit": 2}
        first = (await story.ledger.client.get(PATHS[2], params=params)).json()
        second = await story.ledger.client.get(PATHS[2], params=params | {"cursor": first["next"]})
        assert [each["entry"] for each in (*first["items"], *second.json()["items"])] == [2, 3, 4]
        other = await story.ledger.client.get(PATHS[2], params=params | {"cursor": first["next"], "gauge": "DG-03"})
        assert (other.status_code, other.json()["code"]) == (400, "cursor_malformed")
