"""What a receipt says of the counter: the newest reading known then, and no old counter that ended below it."""

from datetime import timedelta

from tests.running import running
from tests.story.day_one import ENDED, event, story


async def test_a_fact_long_after_the_last_fact_is_answered_with_the_reading_known_then(database_url: str) -> None:
    async with running(database_url) as ledger:
        told = story()
        await ledger.record_all(told[step] for step in ("01", "02", "03", "04"))
        begun = ENDED - timedelta(days=11)
        for day in range(11):
            await ledger.read_counters(begun + timedelta(days=day), {"H2-M04-S1": 118_000 + day})
        receipt = await ledger.record(event("visual.checked", ENDED - timedelta(hours=1), {}))
        assert receipt["state"]["count"] == 118_010
        assert "counter_silent" not in [reason["code"] for reason in receipt["state"]["reasons"]]
        assert receipt["state"]["counted_at"] == (begun + timedelta(days=10)).isoformat().replace("+00:00", "Z")


async def test_an_old_counter_cannot_have_ended_below_what_it_was_read_at(database_url: str) -> None:
    async with running(database_url) as ledger:
        told = story()
        await ledger.record_all(told[step] for step in ("01", "02", "03", "04"))
        for hours, reading in ((3, 118_100), (2, 118_900)):
            await ledger.read_counters(ENDED - timedelta(hours=hours), {"H2-M04-S1": reading})
        for old_end in (118_500, 900_000):
            refused = await ledger.send(
                event("counter.replaced", ENDED, {"old_end": old_end, "new_start": 0}, id=f"end-{old_end}")
            )
            assert refused.status_code == 422
            assert refused.json()["code"] == "old_end_contradicts"
            assert refused.json()["errors"][0]["pointer"] == "/data/old_end"
        await ledger.record(event("counter.replaced", ENDED, {"old_end": 118_950, "new_start": 0}))
        assert (await ledger.spindle())["count"] == 118_950
