"""The overview: what it counts is what the list answers, for each plant and hall, now and when time has passed."""

from collections import Counter
from datetime import timedelta
from typing import Any, Final

from tests.api.test_board import commissioned, listed, prepare
from tests.running import Json, Running, running
from tests.story.day_one import ENDED, counter_read, event, rebuild, story

PATH: Final = "/v1/overview"


async def overview(ledger: Running, **asked: Any) -> Json:
    answer = await ledger.client.get(PATH, params=asked)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


def counted(items: list[Json]) -> Json:
    """The counts of whole spindles, made from the list."""
    states = Counter(each["state"] for item in items if item["lifecycle"] == "installed" for each in item["rechecks"])
    return {
        "spindles": len(items),
        "health": dict(Counter(item["health"] for item in items if item["health"] is not None)),
        "clearance": dict(Counter(item["clearance"] for item in items)),
        "lifecycle": dict(Counter(item["lifecycle"] for item in items)),
        "rechecks": {name: states[name] for name in ("due", "overdue") if states[name]},
    }


def without_zeros(counts: Json) -> Json:
    return {
        name: {word: number for word, number in value.items() if number} if isinstance(value, dict) else value
        for name, value in counts.items()
        if name not in ("plants", "plant", "hall", "halls")
    }


async def assert_counts_the_list(ledger: Running) -> Json:
    items, found = await listed(ledger, limit=1000), await overview(ledger)
    assert without_zeros(found) == counted(items)
    assert [each["plant"] for each in found["plants"]] == sorted({item["plant"] for item in items})
    for plant in found["plants"]:
        mine = [item for item in items if item["plant"] == plant["plant"]]
        assert without_zeros(plant) == counted(mine)
        assert {each["hall"] for each in plant["halls"]} == {item["hall"] for item in mine}
        for hall in plant["halls"]:
            assert without_zeros(hall) == counted([item for item in mine if item["hall"] == hall["hall"]])
    return found


async def several(ledger: Running) -> None:
    await prepare(ledger, "H1-A", "H1-B", hall="1", machine="M-1")
    await prepare(ledger, "H2-A")
    await prepare(ledger, "F1-A", "F1-B", plant="fell", hall="1")
    await ledger.record_all(rebuild(ENDED - timedelta(hours=1), 118_100, key="H1-A"))
    broken = {"component": "draw_bar", "code": "cracked", "unusable": True}
    await ledger.record(event("condition.noted", ENDED, broken, key="H2-A"))
    await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="F1-A"))


async def test_it_counts_what_the_list_answers(database_url: str) -> None:
    async with running(database_url) as ledger:
        assert (await overview(ledger))["spindles"] == 0
        await several(ledger)
        found = await assert_counts_the_list(ledger)
        assert found["health"] == {
            "failure": 1,
            "out_of_specification": 0,
            "function_check": 2,
            "maintenance_required": 0,
            "normal": 1,
        }
        assert found["rechecks"] == {"due": 0, "overdue": 0}
        await ledger.record(counter_read(ENDED, 118_700, key="H1-A"))
        assert (await assert_counts_the_list(ledger))["rechecks"]["due"] == 1
        (fell,) = (await overview(ledger, plant="fell"))["plants"]
        assert (fell["plant"], fell["spindles"], fell["lifecycle"]["store"]) == ("fell", 2, 1)
        assert [hall["hall"] for hall in fell["halls"]] == ["1", None]


async def test_what_time_alone_has_changed_is_counted_settled_or_not(database_url: str) -> None:
    async with running(database_url) as ledger:
        await several(ledger)
        await ledger.record_all([event for number, event in story().items() if number > "03"])
        await ledger.sweep()
        before = await ledger.client.get(PATH)
    async with running(database_url, clock_shift=timedelta(days=60)) as later:
        unsettled = await assert_counts_the_list(later)
        assert sum(unsettled["rechecks"].values()) >= 1
        known = {"If-None-Match": before.headers["etag"]}
        assert (await later.client.get(PATH, headers=known)).status_code == 200
        await later.sweep()
        assert await assert_counts_the_list(later) == unsettled


async def test_a_key_bound_to_plants_counts_its_own(database_url: str) -> None:
    async with running(database_url) as ledger:
        await several(ledger)
        _, token = await ledger.key("read", plants=["fell"])
        whole = await overview(ledger)
        ledger.client.headers["Authorization"] = f"Bearer {token}"
        mine = await overview(ledger)
        assert mine["plants"] == [plant for plant in whole["plants"] if plant["plant"] == "fell"]
        assert mine["spindles"] == 2
        assert (await overview(ledger, plant="skerrow"))["plants"] == []


async def test_it_is_not_sent_again_while_nothing_has_changed(database_url: str) -> None:
    async with running(database_url) as ledger:
        await several(ledger)
        etag = (await ledger.client.get(PATH)).headers["etag"]
        known = {"If-None-Match": etag}
        await ledger.record(counter_read(ENDED, 118_120, key="H1-A"))
        assert (await ledger.client.get(PATH, headers=known)).status_code == 304
        await ledger.record(commissioned("F1-C", plant="fell"))
        changed = await ledger.client.get(PATH, headers=known)
        assert (changed.status_code, changed.json()["spindles"]) == (200, 6)
        refused = await ledger.client.get(PATH, params={"hall": "1"})
        assert (refused.status_code, refused.json()["errors"][0]["parameter"]) == (400, "hall")
