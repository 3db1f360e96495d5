"""The list of spindles: filters, sorts, pages and links; late states settled while read; plants kept apart."""

import asyncio
from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.running import Json, Running, running
from tests.story.day_one import ENDED, event, rebuild, story

PATH = "/v1/spindles"
ENOUGH = (
    *("key", "plant", "machine", "sheet", "health", "reasons", "clearance", "count", "counted_at", "rechecks"),
    *("last_setting", "last_draw_force", "sequence"),
)


def commissioned(key: str, **place: str) -> Json:
    """The story's spindle once more, elsewhere."""
    made = story(key=key)["04"]
    return made | {"data": made["data"] | {"position": key} | place}


async def prepare(ledger: Running, *keys: str, **place: str) -> None:
    events = story()
    await ledger.record_all([events["01"], events["02"], events["03"]])
    await ledger.record_all([commissioned(key, **place) for key in keys])


async def listed(ledger: Running, **asked: Any) -> list[Json]:
    answer = await ledger.client.get(PATH, params=asked)
    assert answer.status_code == 200, answer.text
    items: list[Json] = answer.json()["items"]
    return items


async def keys(ledger: Running, **asked: Any) -> list[str]:
    return [item["key"] for item in await listed(ledger, **asked)]


async def walk(ledger: Running, path: str, **asked: Any) -> list[Json]:
    """Every item, page by page, by the links alone."""
    answer = await ledger.client.get(path, params=asked)
    items: list[Json] = answer.json()["items"]
    while "link" in answer.headers:
        link = answer.headers["link"]
        assert link.endswith('>; rel="next"')
        answer = await ledger.client.get(link[1 : link.index(">")])
        items += answer.json()["items"]
    assert answer.json()["next"] is None
    return items


async def test_an_item_is_the_spindle_as_it_is_read_alone(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        (item,) = await listed(ledger)
        assert item | {"work_orders": []} == await ledger.spindle(), "read alone, it names its work orders besides"
        assert set(ENOUGH) <= set(item)
        await ledger.read_counters(ENDED + timedelta(minutes=5), {"H2-M04-S1": 118_211})
        (item,) = await listed(ledger)
        assert (item["count"], item["sequence"]) == (118_211, 11)
        (lean,) = await listed(ledger, view="health")
        codes = [reason["code"] for reason in item["reasons"]]
        assert lean == {name: item[name] for name in ("key", "health", "clearance")} | {"reasons": codes}


async def test_filters_say_which(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "H1-A", "H1-B", hall="1", machine="M-1")
        await prepare(ledger, "F1-A", plant="fell")
        await ledger.record_all([*rebuild(ENDED, 118_100, key="H1-A")])
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="F1-A"))
        assert await keys(ledger) == ["F1-A", "H1-A", "H1-B"]
        for asked, found in (
            ({"plant": "fell"}, ["F1-A"]),
            ({"hall": "1"}, ["H1-A", "H1-B"]),
            ({"machine": "M-1", "plant": "skerrow"}, ["H1-A", "H1-B"]),
            ({"machine": "M-F1-A"}, []),
            ({"position": "H1-B"}, ["H1-B"]),
            ({"position": "H1-B", "machine": "M-2"}, []),
            ({"sheet": "SKERROW-A"}, ["F1-A", "H1-A", "H1-B"]),
            ({"sheet": "SKERROW-B"}, []),
            ({"health": "normal"}, ["H1-A"]),
            ({"health": ["normal", "function_check"]}, ["H1-A", "H1-B"]),
            ({"clearance": "restricted"}, ["H1-B"]),
            ({"clearance": ["withheld", "cleared"]}, ["F1-A", "H1-A"]),
            ({"lifecycle": "store"}, ["F1-A"]),
            ({"lifecycle": ["store", "installed"], "prefix": "H1"}, ["H1-A", "H1-B"]),
            ({"prefix": "H1-B"}, ["H1-B"]),
            ({"prefix": "h1"}, []),
            ({"plant": "skerrow", "health": "normal", "prefix": "H", "hall": "1", "sort": "due"}, ["H1-A"]),
        ):
            assert await keys(ledger, **asked) == found, asked
            assert await keys(ledger, view="health", **asked) == found, asked


async def test_sorted_by_health_the_worst_come_first_and_by_due_the_soonest(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "A", "B", "C", "D")
        await ledger.record_all(rebuild(ENDED - timedelta(hours=1), 118_100, key="D"))
        broken = {"component": "draw_bar", "code": "cracked", "unusable": True}
        await ledger.record(event("condition.noted", ENDED, broken, key="C"))
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="A"))
        assert await keys(ledger, sort="health") == ["C", "B", "D", "A"]
        assert [item["key"] for item in await walk(ledger, PATH, sort="health", limit=1)] == ["C", "B", "D", "A"]
        await ledger.record(event("counter.read", ENDED, {"count": 118_600}, key="D"))
        assert (await listed(ledger, sort="due"))[0]["key"] == "D", "its check on the new set is due"
        for view in ("whole", "health"):
            met = await walk(ledger, PATH, sort="due", limit=1, view=view)
            assert [item["key"] for item in met] == await keys(ledger, sort="due")


@pytest.mark.parametrize("sort", ["key", "health", "due"])
async def test_the_other_way_round_the_last_comes_first(database_url: str, sort: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "A", "B", "C", "D", "E")
        await ledger.record_all(rebuild(ENDED - timedelta(hours=1), 118_100, key="D"))
        await ledger.record(event("counter.read", ENDED, {"count": 118_600}, key="D"))
        broken = {"component": "draw_bar", "code": "cracked", "unusable": True}
        await ledger.record(event("condition.noted", ENDED, broken, key="C"))
        forwards = await keys(ledger, sort=sort)
        for view in ("whole", "health"):
            assert await keys(ledger, sort=f"-{sort}", view=view) == forwards[::-1]
            for limit in (1, 2, 5):
                met = await walk(ledger, PATH, sort=f"-{sort}", limit=limit, view=view)
                assert [item["key"] for item in met] == forwards[::-1]
        cursor = (await ledger.client.get(PATH, params={"sort": sort, "limit": 2})).json()["next"]
        answer = await ledger.client.get(PATH, params={"sort": f"-{sort}", "cursor": cursor})
        assert answer.json()["code"] == "cursor_malformed"


async def test_due_before_a_time_is_what_is_due_and_what_has_a_day_before_it(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "A", "B", "C")
        await ledger.record_all(rebuild(ENDED - timedelta(hours=1), 118_100, key="A"))
        await ledger.record_all(rebuild(ENDED - timedelta(hours=1), 118_100, key="B"))
        await ledger.record(event("counter.read", ENDED, {"count": 118_600}, key="B"))
        (a,) = await listed(ledger, prefix="A")
        days = sorted(each["due_at"] for each in a["rechecks"] if each["due_at"] is not None)
        early, late = days[0], (datetime.fromisoformat(days[0]) + timedelta(seconds=1)).isoformat()
        for view in ("whole", "health"):
            assert await keys(ledger, due_before=ENDED.isoformat(), view=view) == ["B"], "due by cycles already"
            before_day = await keys(ledger, due_before=early, view=view)
            assert "A" not in before_day
            assert "A" in await keys(ledger, due_before=late, view=view)
        for wrong in ("soon", "2026-01-01", "2026-01-01T00:00:00"):
            answer = await ledger.client.get(PATH, params={"due_before": wrong})
            assert (answer.status_code, answer.json()["code"]) == (422, "time_invalid")
            assert answer.json()["errors"][0]["parameter"] == "due_before"


async def test_a_late_recheck_is_due_before_whatever_is_stored_of_it(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.sweep()
        assert await keys(ledger, due_before=ENDED.isoformat()) == []
    async with running(database_url, clock_shift=timedelta(days=60)) as later:
        for view in ("whole", "health"):
            assert await keys(later, due_before=ENDED.isoformat(), view=view) == ["H2-M04-S1"]
            then = {"as_of": (ENDED + timedelta(minutes=1)).isoformat(), "view": view}
            assert await keys(later, due_before=ENDED.isoformat(), **then) == []
            assert await keys(later, **then) == ["H2-M04-S1"]


async def test_by_health_alone_ten_thousand_are_one_page(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "A", "B")
        assert await keys(ledger, view="health", limit=10_000) == ["A", "B"]
        for view, most in (("whole", 1_000), ("health", 10_000)):
            assert (await ledger.client.get(PATH, params={"limit": most, "view": view})).status_code == 200
            answer = await ledger.client.get(PATH, params={"limit": most + 1, "view": view})
            assert (answer.status_code, answer.json()["code"]) == (400, "request_invalid")
            assert answer.json()["errors"][0]["parameter"] == "limit"


async def test_a_walk_by_health_goes_on_while_a_state_falls_late(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "A", "B", "C")
        await ledger.record_all(rebuild(ENDED - timedelta(hours=1), 118_100, key="B"))
        await ledger.sweep()
        first = (await ledger.client.get(PATH, params={"view": "health", "limit": 1})).json()
    async with running(database_url, clock_shift=timedelta(days=60)) as later:
        asked = {"view": "health", "limit": 1, "cursor": first["next"]}
        second = (await later.client.get(PATH, params=asked)).json()
        assert [item["key"] for item in second["items"]] == ["B"]
        assert second["items"][0]["health"] != "normal"


async def test_a_state_whose_time_has_passed_is_settled_while_it_is_read(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.sweep()
    async with running(database_url, clock_shift=timedelta(days=60)) as later:
        (item,) = await listed(later)
        assert item["health"] == "maintenance_required"
        assert item["rechecks"][0]["state"] == "overdue" or item["rechecks"][0]["state"] == "due"
        assert item["rechecks"] == (await later.spindle())["rechecks"]
        for view in ("whole", "health"):
            assert await keys(later, health="normal", view=view) == []
            assert await keys(later, health="maintenance_required", view=view) == ["H2-M04-S1"]
            (item,) = await listed(later, view=view)
            assert item["health"] == "maintenance_required"


async def test_a_key_bound_to_plants_sees_only_theirs(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "S-1", "S-2")
        await prepare(ledger, "F-1", plant="fell")
        _, token = await ledger.key("read", plants=["fell"])
        ledger.client.headers["Authorization"] = f"Bearer {token}"
        for path in (PATH, "/v1/rechecks"):
            for asked in ({}, {"plant": "skerrow"}, {"sort": "due"}):
                items = (await ledger.client.get(path, params=asked)).json()["items"]
                assert {item["plant"] for item in items} == ({"fell"} if "plant" not in asked else set())
        assert (await ledger.client.get(f"{PATH}/S-1/measurements")).status_code == 404


async def test_a_walk_under_writers_meets_every_spindle_once(database_url: str) -> None:
    async with running(database_url) as ledger:
        there = [f"M-{number:02}" for number in range(20)]
        await prepare(ledger, *there)

        async def write(begin: int) -> None:
            for number in range(begin, begin + 6):
                at = ENDED + timedelta(seconds=number)
                await ledger.record(event("spindle.removed", at, {"to": "store"}, key=there[number]))
                await ledger.record_all([commissioned(f"{prefix}-{number:03}") for prefix in ("A", "M-00", "Z")])

        walks: list[tuple[str, str, Json]] = [
            (PATH, "key", {}),
            (PATH, "key", {"view": "health"}),
            ("/v1/rechecks", "episode", {}),
        ]
        for turn, (path, name, asked) in enumerate(walks):
            writer = asyncio.create_task(write(6 * turn))
            met = await walk(ledger, path, limit=2, **asked)
            await writer
            assert len({item[name] for item in met}) == len(met)
            assert set(there) <= {item.get("spindle", item.get("key")) for item in met}


@pytest.mark.parametrize("path", [PATH, "/v1/rechecks", "/v1/sheets", "/v1/gauges", "/v1/lots", "/v1/keys"])
async def test_a_cursor_that_is_altered_is_refused(database_url: str, path: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "A", "B", "C")
        lot = {"specversion": "1.0", "source": "/skerrow/store", "type": "lot.received", "time": ENDED.isoformat()}
        for place in range(3):
            name = f"THING-{place}"
            await ledger.record(lot | {"id": name, "subject": f"lots/{name}", "data": {"sheet": "X", "quantity": 1}})
            for number in ("01", "02"):
                made = story()[number]
                await ledger.record(
                    made | {"id": f"{number} {name}", "subject": f"{made['subject'].split('/')[0]}/{name}"}
                )
            await ledger.key("read")
        first = (await ledger.client.get(path, params={"limit": 2})).json()
        cursor = first["next"]
        assert (await ledger.client.get(path, params={"limit": 1, "cursor": cursor})).status_code == 200
        middle = len(cursor) // 2
        other = "A" if cursor[middle] != "A" else "B"
        for wrong in (
            cursor[:-1],
            cursor + "A",
            cursor[:middle] + other + cursor[middle + 1 :],
            "",
            "x",
            "\0",
            "A" * 9000,
        ):
            answer = await ledger.client.get(path, params={"limit": 2, "cursor": wrong})
            assert (answer.status_code, answer.json()["code"]) == (400, "cursor_malformed"), wrong
            assert answer.headers["content-type"] == "application/problem+json"
        if path == PATH:
            for asked in ({"sort": "health"}, {"plant": "skerrow"}, {"view": "health"}):
                answer = await ledger.client.get(path, params={"cursor": cursor} | asked)
                assert (answer.status_code, answer.json()["code"]) == (400, "cursor_malformed"), asked


async def test_a_list_that_has_not_changed_is_not_sent_again(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "A")
        first = await ledger.client.get(PATH, params={"view": "health"})
        etag = first.headers["etag"]
        for known in (etag, f'"x", {etag}', f"W/{etag}", "*"):
            again = await ledger.client.get(PATH, params={"view": "health"}, headers={"If-None-Match": known})
            assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", etag)
        await ledger.read_counters(ENDED, {"A": 118_001})
        still = await ledger.client.get(PATH, params={"view": "health"}, headers={"If-None-Match": etag})
        assert still.status_code == 304, "a reading is no change of health"
        broken = {"component": "draw_bar", "code": "cracked", "unusable": True}
        await ledger.record(event("condition.noted", ENDED, broken, key="A"))
        changed = await ledger.client.get(PATH, params={"view": "health"}, headers={"If-None-Match": etag})
        assert changed.status_code == 200
        assert changed.headers["etag"] != etag


@pytest.mark.parametrize(
    "asked",
    [
        {"limit": "0"},
        {"limit": "1001"},
        {"limit": "x"},
        {"health": "bad"},
        {"clearance": "CLEARED"},
        {"lifecycle": "gone"},
        {"sort": "key desc"},
        {"view": "all"},
        {"plant": "a\0"},
        {"plant": "a' OR true --"},
        {"prefix": ""},
        {"prefix": "%"},
        {"machine": "m" * 65},
    ],
)
async def test_what_cannot_be_asked_is_refused(database_url: str, asked: Json) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.get(PATH, params=asked)
        assert (answer.status_code, answer.json()["code"]) == (400, "request_invalid"), answer.text
        assert answer.json()["errors"][0]["parameter"] == next(iter(asked))
