"""`GET /v1/plan`: what falls due when and where, calibrations, and kits beside those in stock."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.clocks import Clocks
from service.foresee import Foreseer
from tests.running import Json, Running, running
from tests.story.day_one import SPINDLE, counter_read, event, story


async def read(ledger: Running, path: str = "/v1/plan", **asked: Any) -> Json:
    answer = await ledger.client.get(path, params=asked)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


async def told(ledger: Running) -> None:
    """Day one, and three weeks of a counter that rises by twenty in each working hour of the day."""
    await ledger.record_all(story().values())
    at, count = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(hours=14), 118_210
    for _ in range(13):
        at += timedelta(hours=1)
        count += 20
        await ledger.read_counters(at, {SPINDLE: count})
    received = {"sheet": "SKERROW-A", "quantity": 1}
    await ledger.record(event("lot.received", at, received) | {"subject": "lots/L-2291"})
    await Foreseer(ledger.database, Clocks()).once()


async def test_what_falls_due_stands_in_the_plan_with_its_day_its_hall_and_its_interval(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        plan = await read(ledger, weeks=26)
        by_code = {each["recheck"]: each for each in plan["items"]}
        force = by_code["force-quarterly"]
        assert (force["spindle"], force["hall"], force["sheet"]) == (SPINDLE, "2", "SKERROW-A")
        days = [each for each in plan["days"] if each["checks"].get("draw_force")]
        assert [(each["plant"], each["hall"], each["count"], each["hours"]) for each in days] == [
            ("skerrow", "2", 1, 0.5)
        ]
        assert date.fromisoformat(days[0]["day"]) == datetime.fromisoformat(force["due"]["median"]).date()
        listed = {each["recheck"]: each for each in (await read(ledger, "/v1/rechecks"))["items"]}
        assert listed["force-quarterly"]["expected"] == force["due"]
        longer = await read(ledger, weeks=26, minutes_per_check=90)
        assert [each["hours"] for each in longer["days"]] == [3 * each["hours"] for each in plan["days"]]


async def test_what_is_due_already_stands_first_under_no_day(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.record(counter_read(datetime.now(UTC) - timedelta(minutes=5), 118_210 + 500))
        plan = await read(ledger, weeks=1)
        (item,) = [each for each in plan["items"] if each["recheck"] == "bed-in"]
        assert item["state"] == "due"
        assert item["due"]["median"] == item["due"]["p95"][1]
        assert (plan["days"][0]["day"], plan["days"][0]["checks"]) == (None, {"setting": 1})


async def test_gauges_whose_calibration_ends_are_in_it_and_kits_beside_the_stock(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        plan = await read(ledger, weeks=26)
        known = (await read(ledger, "/v1/gauges"))["items"]
        until = datetime.fromisoformat(plan["until"]).date()
        due = {each["key"] for each in known if each["due"] is None or date.fromisoformat(each["due"]) < until}
        assert {each["gauge"] for each in plan["calibrations"]} == due
        (kits,) = plan["kits"]
        stock = (await read(ledger, "/v1/sheets/SKERROW-A"))["stock"]
        assert (kits["sheet"], kits["spindles"], kits["rebuilds_seen"]) == ("SKERROW-A", 1, 1)
        assert kits["in_stock"] == stock["left"]
        assert kits["short"] == max(kits["kits"]["needed"] - stock["left"], 0)


async def test_a_key_for_another_plant_sees_none_of_it(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        _, token = await ledger.key("read", plants=["fell"])
        answer = await ledger.client.get("/v1/plan?weeks=26", headers={"Authorization": f"Bearer {token}"})
        assert (answer.json()["items"], answer.json()["days"], answer.json()["kits"]) == ([], [], [])


@pytest.mark.parametrize("asked", [{"weeks": "0"}, {"weeks": "27"}, {"weeks": "six"}, {"minutes_per_check": "0"}])
async def test_what_is_out_of_range_is_refused_by_name(database_url: str, asked: dict[str, str]) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.get("/v1/plan", params=asked)
        assert (answer.status_code, answer.json()["code"]) == (400, "request_invalid")
        assert answer.json()["errors"][0]["parameter"] == next(iter(asked))
