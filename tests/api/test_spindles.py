"""One spindle as it is read: its ETag, its history page by page, its clearance; and whether the service is ready."""

from datetime import timedelta

import asyncpg
import pytest

from service import access
from tests.api.hostile import assert_problem
from tests.running import Running, rows_of_every_table, running
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, story

PATH = f"/v1/spindles/{SPINDLE}"


async def test_an_etag_holds_until_something_is_recorded(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        first = await ledger.client.get(PATH)
        tag = first.headers["etag"]
        assert tag.startswith('"')
        for known in (tag, f'"other", {tag}', f"W/{tag}", "*"):
            again = await ledger.client.get(PATH, headers={"If-None-Match": known})
            assert (again.status_code, again.headers["etag"], again.content) == (304, tag, b""), known
        assert (await ledger.client.get(PATH, headers={"If-None-Match": '"other"'})).status_code == 200
        for told in (counter_read(ENDED + timedelta(hours=1), 118_300), event("visual.checked", ENDED, {})):
            await ledger.record(told)
            moved = await ledger.client.get(PATH, headers={"If-None-Match": tag})
            assert moved.status_code == 200
            assert moved.headers["etag"] != tag
            tag = moved.headers["etag"]
        await ledger.read_counters(ENDED + timedelta(hours=2), {SPINDLE: 118_310})
        assert (await ledger.client.get(PATH)).headers["etag"] != tag, "a plain reading shows too"


async def test_head_is_get_without_a_body(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        got, head = await ledger.client.get(PATH), await ledger.client.head(PATH)
        assert (head.status_code, head.content, head.headers["etag"]) == (200, b"", got.headers["etag"])
        assert head.headers["content-length"] == got.headers["content-length"]
        known = await ledger.client.head(PATH, headers={"If-None-Match": got.headers["etag"]})
        assert (known.status_code, known.content) == (304, b"")
        assert (await ledger.client.head("/v1/spindles/NOBODY")).status_code == 404


async def test_a_spindle_carries_what_its_readers_count_on(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        shown = await ledger.spindle()
    named = "key plant machine sheet health reasons clearance count counted_at rechecks last_setting last_draw_force"
    assert {*named.split(), "sequence"} <= shown.keys()
    assert (shown["key"], shown["plant"], shown["sheet"]) == (SPINDLE, "skerrow", "SKERROW-A")
    assert (shown["machine"], shown["last_draw_force"]) == ("M-H2-M04-S1", None)


async def test_a_history_is_read_page_by_page_facts_and_plain_readings_alike(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        for hours in range(1, 5):
            await ledger.read_counters(ENDED + timedelta(hours=hours), {SPINDLE: 118_300 + hours})
        whole = await ledger.history()
        assert [each["sequence"] for each in whole] == list(range(1, 15))
        walked, cursor = [], None
        while True:
            asked = {"limit": "3"} | ({} if cursor is None else {"cursor": cursor})
            page = (await ledger.client.get(f"{PATH}/events", params=asked)).json()
            assert len(page["items"]) <= 3
            walked += page["items"]
            cursor = page["next"]
            if cursor is None:
                break
        assert walked == whole
    sent = story()["13"]
    item = next(each for each in whole if each["id"] == sent["id"])
    same = ("specversion", "id", "source", "type", "subject", "time", "actor", "data")
    assert {name: item[name] for name in same} == {name: sent[name] for name in same}
    assert {"sequence", "log", "position", "recorded", "hash"} <= item.keys()
    plain = whole[-1]
    assert (plain["type"], plain["source"], plain["data"], plain["actor"]) == (
        "counter.read",
        "/skerrow/mes",
        {"count": 118_304},
        None,
    )


async def test_people_are_shown_by_their_labels_and_kept_by_their_numbers(database_url: str) -> None:
    deferred = {
        "recheck": "force-quarterly",
        "until_count": 170_000,
        "reason": "spare set is late",
        "approved_by": "r.t. engineer",
    }
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.record(event("recheck.deferred", ENDED + timedelta(hours=1), deferred))
        assert (await ledger.history())[-1]["data"] == deferred
    connection = await asyncpg.connect(database_url)
    try:
        kept = await connection.fetchval("SELECT data::text FROM ledger.entry WHERE type = 'recheck.deferred'")
    finally:
        await connection.close()
    assert "r.t. engineer" not in kept


async def test_clearance_says_why_and_is_advice(database_url: str) -> None:
    async with running(database_url) as ledger:
        events = list(story().values())
        await ledger.record_all(events[:9])
        answer = (await ledger.client.get(f"{PATH}/clearance")).json()
        assert (answer["key"], answer["clearance"]) == (SPINDLE, "withheld")
        assert [each["code"] for each in answer["reasons"]] == ["setting_nonconforming", "not_accepted"]
        assert answer["reasons"][0]["entry"] == 6
        await ledger.record_all(events[9:])
        answer = (await ledger.client.get(f"{PATH}/clearance")).json()
        assert (answer["clearance"], answer["reasons"], answer["count"]) == ("cleared", [], 118_210)


ODD = ["%00", "%ff", "a%20b", "..%2f..", "%2e%2e", "'", '"', ";--", "x" * 5000, "%25", "a%0Ab", "é", "H2-M04-S1%00"]


@pytest.mark.parametrize("suffix", ["", "/events", "/measurements", "/clearance"])
async def test_odd_keys_are_not_found(database_url: str, suffix: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        for key in ODD:
            answer = await ledger.client.get(f"/v1/spindles/{key}{suffix}")
            problem = assert_problem(answer, names_the_place=False)
            assert answer.status_code in (400, 404), (key, problem)


async def test_what_cannot_be_asked_of_a_history_is_refused(database_url: str) -> None:
    asked = [
        ("limit", "0"),
        ("limit", "1001"),
        ("limit", "-1"),
        ("limit", "abc"),
        ("limit", ""),
        ("limit", "9" * 30),
        ("cursor", ""),
        ("cursor", "abc"),
        ("cursor", "-1"),
        ("cursor", "9" * 30),
        ("cursor", "\0"),
        ("cursor", "٣"),
        ("colour", "red"),
        ("Limit", "3"),
    ]
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        for name, value in asked:
            answer = await ledger.client.get(f"{PATH}/events", params={name: value})
            problem = assert_problem(answer, names_the_place=False)
            assert answer.status_code == 400, (name, value, problem)
            if name == "colour":
                assert "colour" in problem["detail"]


async def test_a_key_bound_to_a_plant_writes_and_reads_nothing_of_another(database_url: str) -> None:
    """Not by an event, a batch, a counter under its key or its place, nor by commissioning or moving into it."""
    told = story()
    async with running(database_url) as ledger:
        await ledger.record_all(told.values())
        _, token = await ledger.key("read", "events:write", "counters:write", plants=["elsewhere"])
        ledger.client.headers["Authorization"] = f"Bearer {token}"
        before = await rows_of_every_table(database_url)
        for each in (event("visual.checked", ENDED, {}), story(key="S2")["04"]):
            refused = await ledger.send(each)
            assert (refused.status_code, refused.json()["code"]) == (403, "plant_not_allowed")
        assert (await ledger.batch([counter_read(ENDED, 118_300)]))[0]["problem"]["code"] == "plant_not_allowed"
        answer = await ledger.read_counters(ENDED, {SPINDLE: 118_300, "M-H2-M04-S1/1": 118_300})
        assert {item["problem"]["code"] for item in answer["items"]} == {"spindle_unknown"}
        for suffix in ("", "/events", "/measurements", "/clearance"):
            assert (await ledger.client.get(f"{PATH}{suffix}")).status_code == 404
        known = await ledger.send(told["13"])
        assert (known.status_code, known.json()["code"]) == (403, "plant_not_allowed"), "a duplicate tells nothing"
        assert await rows_of_every_table(database_url) == before


async def test_a_revoked_key_opens_nothing(database_url: str) -> None:
    async with running(database_url) as ledger:
        key, token = await ledger.key("read")
        headers = {"Authorization": f"Bearer {token}"}
        async with ledger.database.transaction() as tx:
            await access.revoke(tx, key.key)
        for sent in (headers, {"Authorization": "Bearer nonsense"}, {"Authorization": "Bearer"}, {"Authorization": ""}):
            answer = await ledger.client.get(PATH, headers=sent)
            assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")
            assert_problem(answer, names_the_place=False)


async def readiness(ledger: Running) -> tuple[int, list[str]]:
    answer = await ledger.client.get("/readyz", headers={"Authorization": ""})
    return answer.status_code, answer.json()["findings"]


async def test_it_is_ready_at_this_releases_revision_and_at_no_other(database_url: str) -> None:
    async with running(database_url) as ledger:
        assert (await readiness(ledger))[0] == 200
        connection = await asyncpg.connect(database_url)
        try:
            await connection.execute("UPDATE public.alembic_version SET version_num = '0000'")
            status, findings = await readiness(ledger)
            assert status == 503
            assert "migrate" in findings[0]
            await connection.execute("DELETE FROM public.alembic_version")
            assert (await readiness(ledger))[0] == 503
        finally:
            await connection.close()
        assert (await ledger.client.get("/livez", headers={"Authorization": ""})).status_code == 200
