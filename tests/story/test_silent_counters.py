"""A counter that falls silent: after its usual pause, told once, heard again; a plant that sleeps is not silent."""

from collections.abc import Iterable
from datetime import datetime, timedelta

import pytest

from service.postgres import Statement
from service.rebuild import rebuild
from tests.api.test_counter_lines import line, taken
from tests.running import Running, running, select
from tests.story.day_one import ENDED, story
from tests.story.test_bulk_counters import counts

DAYS = 9
END = ENDED
BEGIN = END - timedelta(days=DAYS)


async def begun(ledger: Running) -> None:
    """A spindle that was commissioned before all of its readings."""
    by = timedelta(days=(BEGIN - datetime.fromisoformat(story()["01"]["time"])).days - 2)
    for sent in [*(story()[number] for number in ("01", "02", "03")), story(key="A")["04"]]:
        await ledger.record(sent | {"time": (datetime.fromisoformat(sent["time"]) + by).isoformat()})


async def read(ledger: Running, times: Iterable[datetime], *, every: int = 1) -> None:
    """Readings in order, each a cycle more, in one call of lines."""
    sent = [line("A", at, 118_001 + n // every) for n, at in enumerate(times)]
    told = await taken(ledger, sent)
    assert told["refused"] == 0, told["items"][:3]


def always() -> list[datetime]:
    """Every half hour, day and night."""
    return [BEGIN + timedelta(minutes=30 * n) for n in range(DAYS * 48 + 1)]


def by_day() -> list[datetime]:
    """Every half hour, sixteen hours of each day: the machine is off for the other eight."""
    return [at for at in always() if (END - at) % timedelta(days=1) <= timedelta(hours=16)]


def shift(hours: float = 0.1) -> timedelta:
    """Moves the clock to so long after the last reading."""
    return END + timedelta(hours=hours) - datetime.now(END.tzinfo)


async def at(url: str, hours: float) -> tuple[list[str], str, int]:
    """What stands against the counter so long after its last reading, the clearance, and how often it was told."""
    async with running(url, clock_shift=shift(hours)) as ledger:
        await ledger.sweep()
        await ledger.sweep()
        shown = await ledger.spindle("A")
        assert [each async for each in rebuild(ledger.database) if each.differences or each.failed] == []
        told = len(await ledger.notices("counter.silent"))
        codes = [each["code"] for each in shown["reasons"] if each["code"].startswith("counter")]
        return codes, shown["clearance"], told


SILENT = (["counter_silent"], "restricted")


async def test_a_counter_that_never_sleeps_is_silent_after_four_hours_told_once_and_heard_again(
    database_url: str,
) -> None:
    async with running(database_url, clock_shift=shift()) as ledger:
        await begun(ledger)
        await read(ledger, always())
        assert await ledger.notices("counter.silent") == [], "history announces nothing"
    assert (await at(database_url, 3.9))[::2] == ([], 0)
    assert await at(database_url, 4.1) == (*SILENT, 1)
    assert await at(database_url, 30) == (*SILENT, 1)
    async with running(database_url, clock_shift=shift(31)) as ledger:
        facts = "SELECT count(*) AS n FROM ledger.entry"
        before = (await select(database_url, facts))[0]["n"]
        for minutes in (0, 1, 2):
            answer = await ledger.read_counters(END + timedelta(hours=31, minutes=minutes), {"A": 130_000 + minutes})
            assert counts(answer) == {"accepted": 1}
        assert (await select(database_url, facts))[0]["n"] == before + 1, "what ends a silence is a fact"
        shown = await ledger.spindle("A")
        assert "counter_silent" not in [each["code"] for each in shown["reasons"]]
        assert [each async for each in rebuild(ledger.database) if each.differences] == []
    assert (await at(database_url, 34.9))[2] == 1
    assert await at(database_url, 35.2) == (*SILENT, 2), "another silence is told again"


async def test_a_plant_that_sleeps_at_night_is_not_silent_at_night(database_url: str) -> None:
    async with running(database_url, clock_shift=shift()) as ledger:
        await begun(ledger)
        await read(ledger, by_day())
    for hours in (4.1, 8, 11.9):
        assert (await at(database_url, hours))[::2] == ([], 0)
    assert await at(database_url, 12.6) == (*SILENT, 1)


async def test_one_breakdown_is_not_a_habit(database_url: str) -> None:
    """Two days without a reading, once in the sixteen days, do not make two days usual."""
    broken = END - timedelta(days=5)
    async with running(database_url, clock_shift=shift()) as ledger:
        await begun(ledger)
        times = [each for each in always() if not broken < each < broken + timedelta(days=2)]
        await read(ledger, times)
    assert await at(database_url, 4.1) == (*SILENT, 1)


async def test_a_counter_that_does_not_move_is_not_silent_while_it_is_read(database_url: str) -> None:
    async with running(database_url, clock_shift=shift()) as ledger:
        await begun(ledger)
        await read(ledger, always(), every=10_000)
        assert (await select(database_url, "SELECT count(*) AS n FROM ledger.reading"))[0]["n"] <= DAYS * 24
    assert (await at(database_url, 3.9))[::2] == ([], 0)
    assert await at(database_url, 4.1) == (*SILENT, 1)


@pytest.mark.parametrize("hours", [4.1, 30, 160])
async def test_what_is_known_for_less_than_a_week_waits_for_a_week(database_url: str, hours: float) -> None:
    async with running(database_url, clock_shift=shift()) as ledger:
        await begun(ledger)
        await read(ledger, always()[-6 * 48 :])
    assert (await at(database_url, hours))[::2] == ([], 0)
    assert (await at(database_url, 24 * 7 + 0.1))[0] == ["counter_silent"]


async def test_while_buffered_readings_arrive_nobody_asks_and_late_ones_change_nothing(database_url: str) -> None:
    """The pusher was away for a day and sends what it has kept, minute by minute, while the sweep looks."""
    async with running(database_url, clock_shift=shift()) as ledger:
        await begun(ledger)
        await read(ledger, always())
    assert await at(database_url, 24) == (*SILENT, 1)
    async with running(database_url, clock_shift=shift(24)) as ledger:
        for hour in range(1, 25):
            moment = END + timedelta(hours=hour) - timedelta(minutes=1)
            assert counts(await ledger.read_counters(moment, {"A": 119_000 + hour})) == {"accepted": 1}
            await ledger.sweep()
        late = await ledger.read_counters(END + timedelta(hours=3), {"A": 119_003})
        assert set(counts(late)) <= {"late", "accepted"}
        assert await ledger.notices("counter.silent") == ["counter.silent"]
        assert [each async for each in rebuild(ledger.database) if each.differences] == []
    assert (await at(database_url, 25))[::2] == ([], 1)


async def test_who_looks_back_sees_it_silent_as_it_was(database_url: str) -> None:
    async with running(database_url, clock_shift=shift()) as ledger:
        await begun(ledger)
        await read(ledger, always())
    async with running(database_url, clock_shift=shift(40)) as ledger:
        await ledger.read_counters(END + timedelta(hours=39), {"A": 130_000})
        for hours, silent in ((3, False), (10, True), (39.5, False)):
            moment = (END + timedelta(hours=hours)).isoformat()
            then = (await ledger.client.get("/v1/spindles/A", params={"as_of": moment})).json()
            assert ("counter_silent" in [each["code"] for each in then["reasons"]]) is silent
        async with ledger.database.transaction() as tx:
            looked = await tx.value(Statement("looked", "SELECT usual_pause FROM derived.counter"))
        assert looked is None, "looking back writes nothing"
