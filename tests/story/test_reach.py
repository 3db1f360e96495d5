"""A sheet's revision and a gauge's calibration reach the spindles they judged, also a measurement in flight."""

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any

import asyncpg
import pytest

from tests.running import Json, Running, running, select
from tests.story.day_one import ENDED, MOVED, SPINDLE, event, measured, mm, story

SHEET_ISSUED = datetime(2026, 1, 5, 8, tzinfo=UTC) + MOVED


def about(subject: str, event_type: str, at: datetime, data: Json) -> Json:
    return event(event_type, at, data, subject=subject, actor="r.t. engineer")


def revised(**changes: Any) -> Json:
    """The sheet's second revision, valid from before the last measurement."""
    data: Json = story()["01"]["data"] | {"revision": 2, "valid_from": (ENDED - timedelta(days=1)).isoformat()}
    return about("sheets/SKERROW-A", "sheet.issued", ENDED + timedelta(hours=1), data | changes)


def withdrawn() -> Json:
    return about("gauges/DG-03", "gauge.withdrawn", ENDED - timedelta(days=10), {"reason": "found bent"})


async def waiting(ledger: Running) -> int:
    return len(await select(ledger.url, "SELECT ticket FROM derived.to_settle"))


async def last_verdict(ledger: Running, key: str = SPINDLE) -> Json:
    items: list[Json] = (await ledger.client.get(f"/v1/spindles/{key}/measurements")).json()["items"]
    return items[-1]


async def test_a_narrower_revision_judges_again_what_was_measured_since_it_holds(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        narrower = {"quantity": "depth", "nominal": mm("11.45"), "lower": mm("-0.02"), "upper": mm("0.02")}
        await ledger.record(revised(setting_depth=narrower))
        assert await waiting(ledger) == 1
        assert (await ledger.spindle())["health"] == "normal", "it is settled afterwards, not with the sheet's entry"
        assert await ledger.sweep() == 1
        shown = await ledger.spindle()
        assert (shown["reasons"][0]["code"], shown["clearance"]) == (
            "setting_nonconforming",
            "withheld",
        )
        judged = await last_verdict(ledger)
        assert (judged["outcome"], judged["verdict"]["basis"]["sheet_revision"]) == ("nonconforming", 2)
        assert (await waiting(ledger), await ledger.sweep()) == (0, 0)
        assert await ledger.notices("setting.rejected") == ["setting.rejected"] * 2


async def test_a_withdrawn_gauge_takes_the_proof_from_every_spindle_it_judged(database_url: str) -> None:
    others = [f"R{n}" for n in range(5)]
    async with running(database_url) as ledger:
        for key in (SPINDLE, *others):
            await ledger.record_all(story(key=key).values())
        untouched = story(key="UNTOUCHED")
        await ledger.record_all([untouched["04"], untouched["05"]])
        before = await ledger.spindle("UNTOUCHED")
        await ledger.record(withdrawn())
        assert await ledger.sweep() == 6
        for key in (SPINDLE, *others):
            judged = await last_verdict(ledger, key)
            assert judged["verdict"]["reasons"] == ["gauge_withdrawn"]
            assert (await ledger.spindle(key))["clearance"] == "withheld"
        assert await ledger.spindle("UNTOUCHED") == before


async def test_a_late_calibration_with_a_correction_moves_what_was_measured_after_it(database_url: str) -> None:
    """The gauge read 0.08 mm too little since a calibration that is told only now."""
    calibrated = story()["03"]["data"] | {"correction": mm("0.08")}
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        at = ENDED - timedelta(hours=20)
        await ledger.record(about("gauges/DG-03", "gauge.calibrated", at, calibrated))
        await ledger.sweep()
        judged = await last_verdict(ledger)
        assert (judged["outcome"], judged["verdict"]["mean"]) == ("nonconforming", mm("11.48"))


async def test_a_duplicate_of_a_reference_reaches_nobody(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        assert (await ledger.record(story()["03"]))["status"] == "duplicate"
        assert await waiting(ledger) == 0


@pytest.mark.parametrize("first", ["the measurement", "the withdrawal"])
async def test_a_measurement_in_flight_is_not_missed_by_a_recall(database_url: str, first: str) -> None:
    """Whichever of the two is held before it ends, the other waits for it or is seen by it."""
    told = list(story().values())
    measurement = measured(ENDED + timedelta(hours=1), "11.40", "11.41")
    sent = [measurement, withdrawn()] if first == "the measurement" else [withdrawn(), measurement]
    async with running(database_url) as ledger:
        await ledger.record_all(told[:8])
        blocker: Any = await asyncpg.connect(database_url)
        try:
            holding = blocker.transaction()
            await holding.start()
            await blocker.execute("SELECT log FROM ledger.log FOR UPDATE")
            tasks = []
            for number, each in enumerate(sent, start=1):
                tasks.append(asyncio.create_task(ledger.record(each)))
                await until_waiting(database_url, number)
            await holding.rollback()
        finally:
            await blocker.close()
        receipts = await asyncio.gather(*tasks)
        assert [each["status"] for each in receipts] == ["accepted", "accepted"]
        await ledger.sweep()
        judged = await last_verdict(ledger)
        assert "gauge_withdrawn" in judged["verdict"]["reasons"]
        assert (await ledger.verified()).faults == []


async def until_waiting(url: str, sessions: int) -> None:
    """Until so many sessions of this database wait for a lock."""
    sql = "SELECT pid FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND datname = current_database()"
    async with asyncio.timeout(10):
        while len(await select(url, sql)) < sessions:  # noqa: ASYNC110 - another process is waited for
            await asyncio.sleep(0.02)
