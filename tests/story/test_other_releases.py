"""What another release stored: a newer layout is refused by name and left alone, an older fold is folded again."""

from collections.abc import AsyncIterator
from typing import Any

import asyncpg
import pytest

from service.domain.spindle import FOLD_VERSION
from service.sweep import fold_again
from tests.domain.skerrow import mm
from tests.running import Json
from tests.story.every_kind import BEGUN, SPINDLE, Story, reasons, sheet_of, telling
from tests.story.loading import ago

MONTHLY: Json = {"code": "look", "check": "visual", "after_days": 30, "since": "last_check"}
NOTED: Json = {"component": "nose", "code": "scratch"}
READS = (f"/v1/spindles/{SPINDLE}", f"/v1/spindles/{SPINDLE}/clearance", "/v1/spindles")


@pytest.fixture
async def past_triggers(database_url: str) -> AsyncIterator[Any]:
    """A superuser's session in which no trigger is looked at."""
    connection: Any = await asyncpg.connect(database_url)
    await connection.execute("SET session_replication_role = replica")
    yield connection
    await connection.close()


async def newer(past_triggers: Any, event_type: str, by: int = 1) -> None:
    """The entries of a type, as if a newer release had written them in its layout; hashes go out of step."""
    await past_triggers.execute("UPDATE ledger.entry SET schema = schema + $2 WHERE type = $1", event_type, by)


async def answers(story: Story, *paths: str) -> list[tuple[int, str, str]]:
    found = [await story.ledger.client.get(path) for path in paths]
    return [(each.status_code, each.json().get("code", ""), each.json().get("detail", "")) for each in found]


async def test_a_fact_that_needs_a_newer_layout_is_refused_by_name_and_nothing_of_it_is_kept(
    database_url: str, past_triggers: Any
) -> None:
    async with telling(database_url) as story:
        await story.tell("counter.read", {"count": 118_010}, at=ago(days=1))
        await newer(past_triggers, "counter.read")
        late = story.sent("condition.noted", NOTED, f"spindles/{SPINDLE}", ago(days=2), {})
        answer = await story.ledger.send(late)
        assert (answer.status_code, answer.json()["code"]) == (500, "internal")
        named = "counter.read in layout 2 was written by a newer release than this one"
        assert answer.json()["detail"] == named
        lines = await story.ledger.client.post(
            "/v1/events", json=late, headers={"Content-Type": "application/x-ndjson"}
        )
        assert (lines.json()["status"], lines.json()["problem"]["detail"]) == ("refused", named)
        assert [each["type"] for each in await story.ledger.history()] == ["spindle.commissioned", "counter.read"]
        assert (await story.seen())["count"] == 118_010, "what was folded is still told"
        await newer(past_triggers, "counter.read", by=-1)
        await story.tell("condition.noted", NOTED, at=ago(days=2))


async def test_a_sheet_in_a_newer_layout_judges_nothing_here(database_url: str, past_triggers: Any) -> None:
    async with telling(database_url) as story:
        await story.measure()
        await newer(past_triggers, "sheet.issued")
        story.ledger.database.remembered.clear()
        named = (500, "internal", "sheet.issued in layout 2 was written by a newer release than this one")
        assert await answers(story, "/v1/sheets/SKERROW-A", "/v1/sheets") == [named, named]
        answer = await story.ledger.send(story.sent("condition.noted", NOTED, f"spindles/{SPINDLE}", None, {}))
        assert (answer.status_code, answer.json()["code"], answer.json()["detail"]) == named
        assert reasons(await story.seen()) == []
        await newer(past_triggers, "sheet.issued", by=-1)


async def test_a_state_that_a_newer_release_folded_is_left_as_it_is(database_url: str, past_triggers: Any) -> None:
    async with telling(database_url) as story:
        newer_fold = FOLD_VERSION + 1
        await past_triggers.execute("UPDATE derived.spindle SET fold = $1", newer_fold)
        named = (500, "internal", f"a state in fold {newer_fold} was written by a newer release than this one")
        assert await answers(story, *READS) == [named] * len(READS)
        answer = await story.ledger.send(story.sent("condition.noted", NOTED, f"spindles/{SPINDLE}", None, {}))
        assert (answer.status_code, answer.json()["code"], answer.json()["detail"]) == named
        assert await fold_again(story.ledger.database) == 0
        await story.ledger.sweep()
        assert await past_triggers.fetchval("SELECT fold FROM derived.spindle") == newer_fold
        await past_triggers.execute("UPDATE derived.spindle SET fold = $1", FOLD_VERSION)


async def test_a_state_that_an_older_release_folded_is_folded_again(database_url: str, past_triggers: Any) -> None:
    async with telling(database_url) as story:
        await story.measure()
        before = await story.seen()
        garbled = "UPDATE derived.spindle SET fold = $1, folded = '{}'"
        await past_triggers.execute(garbled, FOLD_VERSION - 1)
        found = await answers(story, *READS)
        assert {(status, code) for status, code, _ in found} == {(500, "internal")}
        assert all("an older release folded this state" in detail for _, _, detail in found)
        assert await fold_again(story.ledger.database) == 1
        assert await fold_again(story.ledger.database) == 0
        after = await story.seen()
        moving = ("settled_at",)
        assert {name: after[name] for name in after if name not in moving} == {
            name: before[name] for name in before if name not in moving
        }


async def test_a_fact_is_taken_in_by_a_release_that_folds_otherwise(database_url: str, past_triggers: Any) -> None:
    async with telling(database_url) as story:
        await past_triggers.execute("UPDATE derived.spindle SET fold = $1, folded = '{}'", FOLD_VERSION - 1)
        receipt = await story.tell("condition.noted", NOTED | {"unusable": True}, at=BEGUN)
        assert reasons(receipt["state"]) == ["unusable", "never_proven"]
        assert reasons(await story.seen()) == ["unusable", "never_proven"]


async def test_a_spindle_that_cannot_be_settled_holds_up_no_other(database_url: str, past_triggers: Any) -> None:
    async with telling(database_url) as story:
        await story.tell("counter.read", {"count": 118_010})
        await story.commission("H2-M05-S1", machine="H2-M05")
        await newer(past_triggers, "counter.read")
        deeper = {"quantity": "depth", "nominal": mm("11.60"), "lower": mm("-0.05"), "upper": mm("0.05")}
        earlier = sheet_of(MONTHLY, revision=2, valid_from=ago(days=250).isoformat(), setting_depth=deeper)
        await story.tell("sheet.issued", earlier, of="sheets/SKERROW-A")
        waiting = "SELECT DISTINCT key FROM derived.to_settle JOIN derived.spindle USING (subject)"
        assert sorted(row["key"] for row in await past_triggers.fetch(waiting)) == ["H2-M04-S1", "H2-M05-S1"]
        await story.ledger.sweep()
        assert [row["key"] for row in await past_triggers.fetch(waiting)] == ["H2-M04-S1"]
        await newer(past_triggers, "counter.read", by=-1)
        await story.ledger.sweep()
        assert await past_triggers.fetch(waiting) == []
