"""Time passes: rechecks fall due by days and are told once; a history that is loaded announces no past due."""

from datetime import UTC, datetime, timedelta
from typing import Any, Final

import pytest

from service.record import QUIET_FOR
from tests.running import Json, Running, running, select
from tests.story.day_one import ENDED, MOVED, SPINDLE, counter_read, event, measured, q, rebuild, story

DUE_DAYS: Final = 90
GRACE_DAYS: Final = 14
COMMISSIONED: Final = datetime(2026, 1, 6, 6, tzinfo=UTC) + MOVED
WATCHED: Final = ("recheck.opened", "recheck.due", "recheck.overdue", "recheck.satisfied")
QUIET: Final = QUIET_FOR + timedelta(seconds=1)


async def state_of(ledger: Running, code: str = "force-quarterly") -> str:
    (found,) = [each for each in (await ledger.spindle())["rechecks"] if each["recheck"] == code]
    return str(found["state"])


def shift_to(at: datetime) -> timedelta:
    """What moves the clock to a time."""
    return at - datetime.now(UTC)


async def test_a_recheck_opens_falls_due_and_is_overdue_by_days_and_each_is_told_once(database_url: str) -> None:
    """Four restarts with the clock moved on; the sweep of each runs twice."""
    due_at = COMMISSIONED + timedelta(days=DUE_DAYS)
    after = timedelta(minutes=1)
    steps = [
        (due_at - timedelta(days=14) - after, "waiting", []),
        (due_at - timedelta(days=14) + after, "open", ["recheck.opened"]),
        (due_at - after, "open", ["recheck.opened"]),
        (due_at + after, "due", ["recheck.opened", "recheck.due"]),
        (due_at + timedelta(days=GRACE_DAYS) - after, "due", ["recheck.opened", "recheck.due"]),
        (due_at + timedelta(days=GRACE_DAYS) + after, "overdue", ["recheck.opened", "recheck.due", "recheck.overdue"]),
    ]
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
    for at, state, told in steps:
        async with running(database_url, clock_shift=shift_to(at)) as ledger:
            assert await state_of(ledger) == state, "a reader before the sweep sees what time has changed"
            await ledger.sweep()
            assert (await ledger.sweep(), await state_of(ledger)) == (0, state)
            assert await ledger.notices(*WATCHED) == told
            reasons = [each["code"] for each in (await ledger.spindle())["reasons"]]
            assert ("recheck_due" in reasons, "recheck_overdue" in reasons) == (state == "due", state == "overdue")


async def test_a_notice_of_time_carries_the_limits_own_time(database_url: str) -> None:
    due_at = COMMISSIONED + timedelta(days=DUE_DAYS)
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
    async with running(database_url, clock_shift=shift_to(due_at + timedelta(days=2))) as ledger:
        await ledger.sweep()
    rows = await select(database_url, "SELECT occurred FROM kept.notice WHERE type = 'recheck.due'")
    assert [row["occurred"] for row in rows] == [due_at]


async def test_due_and_overdue_while_nobody_swept_is_told_as_overdue_only(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
    async with running(database_url, clock_shift=timedelta(days=120)) as ledger:
        await ledger.sweep()
        assert await ledger.notices("recheck.due", "recheck.overdue") == ["recheck.overdue"]


async def test_the_etag_changes_when_time_changes_what_is_shown(database_url: str) -> None:
    due_at = COMMISSIONED + timedelta(days=DUE_DAYS)
    tags = []
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
    for minutes in (-2, -1, 1):
        async with running(database_url, clock_shift=shift_to(due_at + timedelta(minutes=minutes))) as ledger:
            tags.append((await ledger.client.get(f"/v1/spindles/{SPINDLE}")).headers["etag"])
    assert tags[0] == tags[1] != tags[2]


async def test_a_counter_that_falls_silent_is_told_once_and_heard_again(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
    async with running(database_url, clock_shift=timedelta(days=7)) as ledger:
        await ledger.sweep()
        await ledger.sweep()
        assert await ledger.notices("counter.silent") == ["counter.silent"]
        shown = await ledger.spindle()
        assert ([each["code"] for each in shown["reasons"]], shown["clearance"]) == (["counter_silent"], "restricted")
        await ledger.read_counters(ENDED + timedelta(days=7), {SPINDLE: 118_300})
        shown = await ledger.spindle()
        assert ([each["code"] for each in shown["reasons"]], shown["clearance"]) == ([], "cleared")


def pulled(at: datetime) -> Json:
    pulls = [{"value": q(value, "kN")} for value in ("19.0", "21.0", "21.2", "20.9")]
    data = {"pulls": pulls, "gauge": "FG-01", "gauge_zeroed": True, "draw_bar": "clamped", "phase": "as_found"}
    return event("draw_force.measured", at, data)


def force_gauge(by: timedelta) -> list[Json]:
    """A force gauge calibrated a year before the story's end, in calibration for two."""
    begun = datetime(2026, 1, 5, 8, 30, tzinfo=UTC) + by
    registered = {
        "kind": "force",
        "resolution": q("10", "N"),
        "repeatability": q("60", "N"),
        "zeroing": {"included": True},
        "interface": "HSK-A63",
    }
    calibrated = {
        "expanded_uncertainty": q("200", "N"),
        "k": "2",
        "correction": q("0", "N"),
        "due": (begun + timedelta(days=700)).date().isoformat(),
    }
    common: dict[str, Any] = {"subject": "gauges/FG-01"}
    return [
        event("gauge.registered", begun, registered, key="FG-01", **common),
        event("gauge.calibrated", begun + timedelta(minutes=5), calibrated, key="FG-01", **common),
    ]


def year(*, checked_to_the_end: bool) -> list[Json]:
    """A year of one spindle that ends an hour ago: rebuilt once, bedded in, its force measured every 80 days.

    Where it is not checked to the end, the last force check was 200 days ago.
    """
    end = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=1)
    by = end - timedelta(days=365) - datetime(2026, 3, 2, 6, 8, tzinfo=UTC)
    told = story(by=by)
    told["03"]["data"]["due"] = (end + timedelta(days=300)).date().isoformat()
    accepted = datetime.fromisoformat(told["13"]["time"])
    last_check = 361 if checked_to_the_end else 165
    later = [
        *(counter_read(accepted + timedelta(days=day), 118_210 + 100 * day) for day in range(1, 366, 3)),
        measured(accepted + timedelta(days=7, hours=1), "11.41", "11.40"),
        *(pulled(accepted + timedelta(days=day, hours=2)) for day in range(1, last_check + 1, 60)),
    ]
    calibrations = [
        event(
            "gauge.calibrated",
            accepted + timedelta(days=day, hours=3),
            told["03"]["data"],
            key="DG-03",
            subject="gauges/DG-03",
        )
        for day in range(50, 360, 50)
    ]
    whole = [*told.values(), *force_gauge(by), *later, *calibrations]
    return sorted(whole, key=lambda each: datetime.fromisoformat(each["time"]))


async def test_a_year_of_history_in_which_every_check_was_made_announces_no_due(database_url: str) -> None:
    """With the sweep running between the events, as it does in a service that is loaded through its door."""
    async with running(database_url) as ledger:
        for number, each in enumerate(year(checked_to_the_end=True)):
            await ledger.record(each)
            if number % 5 == 0:
                await ledger.sweep()
        shown = await ledger.spindle()
        assert (shown["health"], shown["clearance"]) == ("normal", "cleared")
    for shift in (timedelta(0), QUIET):
        async with running(database_url, clock_shift=shift) as ledger:
            await ledger.sweep()
            assert await ledger.notices("recheck.due", "recheck.overdue", "setting.rejected", "counter.silent") == []


@pytest.mark.parametrize("last", ["recent", "old"])
async def test_a_history_that_ends_overdue_is_told_once_after_it_went_quiet(database_url: str, last: str) -> None:
    """Also where its last event is days old, so that nothing recent brings the telling."""
    told = [each for each in year(checked_to_the_end=False) if last == "recent" or is_old(each)]
    async with running(database_url) as ledger:
        for each in told:
            await ledger.record(each)
        await ledger.sweep()
        assert len(await ledger.notices("recheck.overdue")) == (1 if last == "recent" else 0)
    for _ in range(2):
        async with running(database_url, clock_shift=QUIET) as ledger:
            await ledger.sweep()
            assert await ledger.notices("recheck.due", "recheck.overdue") == ["recheck.overdue"]
            assert (await ledger.spindle())["health"] == "maintenance_required"


def is_old(told: Json) -> bool:
    return datetime.fromisoformat(told["time"]) < datetime.now(UTC) - timedelta(days=4)


async def test_days_do_not_run_in_store(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.record(event("spindle.removed", ENDED + timedelta(hours=1), {"to": "store"}))
    async with running(database_url, clock_shift=timedelta(days=200)) as ledger:
        await ledger.sweep()
        assert await ledger.notices(*WATCHED) == []
        back = {"plant": "skerrow", "hall": "2", "machine": "M-H2-M04-S1", "position": "1"}
        await ledger.record(event("spindle.installed", ENDED + timedelta(days=199), back))
        assert await state_of(ledger) == "waiting"
    async with running(database_url, clock_shift=timedelta(days=235)) as ledger:
        await ledger.sweep()
        assert await state_of(ledger) == "due"
        assert await ledger.notices("recheck.due") == ["recheck.due"]


async def test_a_spindle_rebuilt_within_the_last_two_days_is_told_at_once(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.record_all(rebuild(ENDED + timedelta(hours=2), 118_300))
        await ledger.record(measured(ENDED + timedelta(hours=4), "11.50", "11.50"))
        assert await ledger.notices("setting.rejected") == ["setting.rejected"] * 2
