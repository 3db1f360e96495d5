"""Wear and steps through the doors: measured month by month, asked, told once, corrected, rebuilt."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import pytest

from service.demo.plant import make_plant
from service.rebuild import rebuild
from service.sweep import sweep_once
from tests.running import Json, Running, running, select
from tests.story.test_foresight import ask, at, foresee

NOW: Final = datetime.now(UTC).replace(microsecond=0)
BEGIN: Final = NOW.replace(hour=0, minute=0, second=0) - timedelta(days=390)
KEY: Final = "SK-W"
MONTH: Final = timedelta(days=30)
A_MONTH: Final = 12_000
_WIGGLE: Final = (0.001, -0.002, 0.002, 0.0, -0.001, 0.002, -0.002, 0.001, 0.0, -0.001, 0.001, 0.0)


def told(name: str, data: Json, time: datetime) -> Json:
    return {
        "specversion": "1.0",
        "source": "/skerrow/wear",
        "id": f"{name} {time.isoformat()}",
        "actor": "k.m.",
        "type": name,
        "subject": f"spindles/{KEY}",
        "time": time.isoformat(),
        "data": data,
    }


def depth(value: float, count: int, time: datetime) -> Json:
    reading = {"value": f"{value:.3f}", "unit": "mm"}
    readings = [{"angle": {"value": angle, "unit": "deg"}, "depth": reading} for angle in ("0", "180")]
    gauge = {"gauge": "SKP-depth", "gauge_zeroed": True, "draw_bar": "released", "count": count}
    return told("setting.measured", {"readings": readings} | gauge, time)


def force(newtons: float, count: int, time: datetime) -> Json:
    pulls = [{"value": {"value": f"{newtons:.0f}", "unit": "N"}}] * 3
    gauge = {"gauge": "SKP-force", "gauge_zeroed": True, "draw_bar": "clamped", "count": count}
    return told("draw_force.measured", {"pulls": pulls} | gauge, time)


def begun() -> list[Json]:
    """Sheets, gauges and lots of the plant, one spindle, its set fitted and torqued."""
    counter = {"start": 0, "cycles_per_count": 1, "counts": "tool_changes"}
    place = {"plant": "skerrow", "hall": "1", "machine": "M-W", "position": "1"}
    first = BEGIN + timedelta(hours=1)
    return [
        *make_plant(1, spindles=1, weeks=1, begin=BEGIN).references,
        told("spindle.commissioned", {"serial": "W", "sheet": "SKERROW-P", "counter": counter} | place, BEGIN),
        *fitted(first),
    ]


def fitted(time: datetime) -> list[Json]:
    data = {"segments_seated": 6, "o_ring_fitted": True, "reason": "preventive"}
    return [
        told("clamping_set.replaced", data, time),
        told("nose.torqued", {"torque": {"value": "37", "unit": "N.m"}, "how": "set"}, time + timedelta(minutes=5)),
        told("clamp.exercised", {"cycles": 3}, time + timedelta(minutes=6)),
    ]


def month(number: int) -> tuple[int, datetime]:
    """The count and the time of a monthly check; the twelfth was an hour ago."""
    return A_MONTH * number, NOW - timedelta(hours=1) - MONTH * (12 - number)


def depths(numbers: Iterable[int]) -> list[Json]:
    """3 micrometres a month, from 11.40 mm; the sheet's lower limit is 11.35 mm."""
    return [depth(11.400 - 0.003 * number + _WIGGLE[number - 1], *month(number)) for number in numbers]


def forces(numbers: Iterable[int], *, lost: float = 0) -> list[Json]:
    """30 N a month, from 21 kN; the sheet warns below 18.5 kN."""
    return [force(21_000 - 30 * number + 20_000 * _WIGGLE[number - 1] - lost, *month(number)) for number in numbers]


async def used(ledger: Running) -> None:
    """Counters as a system pushes them, so that use is known."""
    for hours in range(20 * 24, 0, -6):
        time = NOW - timedelta(hours=hours) - timedelta(minutes=90)
        await ledger.read_counters(time, {KEY: round(A_MONTH * (12 - hours / 24 / 30))})


def value(quantity: Json) -> float:
    return float(quantity["value"])


async def test_a_depth_that_wears_meets_its_limit_at_a_count_and_on_a_day(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all([*begun(), *depths(range(1, 13))])
        await used(ledger)
        await foresee(ledger)
        found = (await ask(ledger, KEY))["wear"]["setting_depth"]
        assert found["n"] == len(found["points"]) == 12
        assert found["points"][0]["value"] == {"value": "11.398", "unit": "mm"}
        assert [each["count"] for each in found["points"]] == [month(number)[0] for number in range(1, 13)]
        assert value(found["slope_per_1000_cycles"]) == pytest.approx(-0.003 / 12, rel=0.1)
        low, high = map(value, found["interval"])
        assert low < -0.003 / 12 < high < 0
        assert found["trend"]["direction"] == "falling"
        assert found["trend"]["p"] < 1e-4
        assert (found["limit"], found["limit_name"]) == ({"value": "11.35", "unit": "mm"}, "lower")
        met = found["limit_at"]
        assert met["count"] == pytest.approx(A_MONTH * 50 / 3, rel=0.05)
        assert met["count_p95"][0] < met["count_p80"][0] < met["count"] < met["count_p80"][1] < met["count_p95"][1]
        assert found["not_before"] == met["count_p95"][0]
        expected = NOW + MONTH * ((met["count"] - 12 * A_MONTH) / A_MONTH)
        assert abs(at(met["date"]) - expected) < timedelta(days=40)
        early95, early80 = at(met["p95"][0]), at(met["p80"][0])
        assert early95 <= early80 < at(met["date"]) < at(met["p80"][1]) <= at(met["p95"][1])
        assert not met["beyond_twice_the_observed_span"]
        by_name = {each["name"]: each for each in found["limits"]}
        assert (by_name["upper"]["reason"], by_name["upper"]["limit_at"]) == ("moves_away", None)


async def test_a_step_is_told_once_and_the_receipt_says_so(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all([*begun(), *depths([1]), *forces(range(1, 12))])
        (receipt,) = await ledger.record_all(forces([12], lost=900))
        (finding,) = (each for each in receipt["findings"] if each["code"] == "force_stepped")
        assert "one broken disc spring" in finding["text"]
        assert "qualified people" in finding["text"]
        assert receipt["state"]["health"] != "failure"
        await sweep_once(ledger.database)
        assert await ledger.notices("draw_force.stepped") == ["draw_force.stepped"]
        again = await ledger.record(forces([12], lost=900)[0])
        assert (again["status"], [each["code"] for each in again["findings"]]) == ("duplicate", ["force_stepped"])
        await ledger.record(force(19_740, month(12)[0] + 100, NOW - timedelta(minutes=30)))
        assert await ledger.notices("draw_force.stepped") == ["draw_force.stepped"]
        answer = await ask(ledger, KEY)
        (step,) = answer["steps"]
        assert (step["entry"], step["kind"]) == (receipt["entry"]["sequence"], "disc_spring")
        assert value(step["size"]) == pytest.approx(900, abs=3 * value(step["u"]))
        assert step["reason"] == "fits_one_disc"
        least, most = (value(step["one_disc"][name]) for name in ("least", "most"))
        assert 100 < least < 900 < most
        before = await ask(ledger, KEY, as_of=(NOW - timedelta(days=2)).isoformat())
        assert before["steps"] == []
        assert before["wear"]["draw_force"]["n"] == 11
        assert [each.differences async for each in rebuild(ledger.database)] == [()] * 1


async def test_history_announces_no_step_that_is_past(database_url: str) -> None:
    """A year loaded at once: its step was in the sixth month."""
    story = [*begun(), *depths([1]), *forces(range(1, 6)), *forces(range(6, 12), lost=900)]
    async with running(database_url) as ledger:
        await ledger.batch(story)
        await select(ledger.url, "UPDATE derived.spindle SET next_look = now() - interval '1 second'")
        await ledger.sweep()
        assert await ledger.notices("draw_force.stepped") == []
        answer = await ask(ledger, KEY)
        assert [each["kind"] for each in answer["steps"]] == ["disc_spring"]
        assert [each.differences async for each in rebuild(ledger.database)] == [()]


async def test_in_whatever_order_facts_come_and_however_they_are_corrected_it_is_one_history(
    database_url: str, another_database_url: str
) -> None:
    """The month before the step comes last, and a slip of the pen is corrected: as if all had come in order."""
    story = [*begun(), *depths([1]), *forces(range(1, 12)), *forces([12], lost=900)]
    slip = force(2_067, *month(11))
    assert slip["id"] == story[-2]["id"]
    fix = told("entry.corrected", {"target": {"source": slip["source"], "id": slip["id"]},
                                   "data": story[-2]["data"], "reason": "a slip of the pen"}, NOW)  # fmt: skip
    async with running(database_url) as one, running(another_database_url) as other:
        await one.record_all(story)
        late = [each for each in story if each is not story[-3]]
        await other.record_all([*late[:-2], slip, late[-1], story[-3], fix])
        mine, theirs = await ask(one, KEY), await ask(other, KEY)
        assert [each["kind"] for each in mine["steps"]] == ["disc_spring"]
        for answer in (mine, theirs):
            for each in (*answer["steps"], *answer["wear"]["draw_force"]["points"]):
                for name in ("entry", "began", "before"):
                    each.pop(name, None)
        assert theirs["steps"] == mine["steps"]
        assert theirs["wear"] == mine["wear"]
        assert [each.differences async for each in rebuild(other.database)] == [()]


async def test_a_rebuild_begins_anew_and_what_is_missing_is_named(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all([*begun(), *depths(range(1, 6)), *forces(range(1, 6))])
        await ledger.record_all(fitted(month(6)[1]))
        found = (await ask(ledger, KEY))["wear"]
        for series in ("setting_depth", "draw_force"):
            assert (found[series]["points"], found[series]["reason"]) == ([], "no_measurements")
            assert found[series]["limit_at"] is None
        await ledger.record_all([*depths([7, 8]), *forces([7])])
        found = (await ask(ledger, KEY))["wear"]
        assert [found[each]["reason"] for each in ("setting_depth", "draw_force")] == ["too_few_points"] * 2
        assert found["setting_depth"]["slope_per_1000_cycles"] is None
        assert found["setting_depth"]["text"]
        await ledger.record_all([depth(11.4, *month(number)) for number in (9, 10, 11, 12)])
        found = (await ask(ledger, KEY))["wear"]["setting_depth"]
        assert (found["n"], found["slope_per_1000_cycles"] is not None) == (6, True)


async def test_equal_values_are_no_line(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all([*begun(), *(depth(11.4, *month(number)) for number in range(1, 9))])
        found = (await ask(ledger, KEY))["wear"]["setting_depth"]
        assert (found["reason"], found["limit_at"], found["n"]) == ("all_values_equal", None, 8)


async def test_charts_have_every_series(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all([*begun(), *depths(range(1, 9)), *forces(range(1, 9))])
        await ledger.record(told("clamping_set.greased", {"grease": "invented"}, month(8)[1] + timedelta(days=1)))
        await ledger.record_all([*depths([9, 10]), *forces([9, 10])])
        answer = await ledger.client.get(f"/v1/spindles/{KEY}/charts")
        charts: Any = answer.json()
        assert answer.status_code == 200, answer.text
        first, second = charts["setting_depth"]["segments"]
        assert ([len(first["points"]), len(second["points"])], second["begun_by"]) == ([8, 2], "grease")
        ranges = [value(each["moving_range"]) for each in first["points"][1:]]
        assert first["points"][0]["moving_range"] is None
        assert value(first["mean_range"]) == pytest.approx(sum(ranges) / 7, rel=1e-5)
        assert value(first["sigma"]) == pytest.approx(sum(ranges) / 7 / 1.128, rel=1e-5)
        assert value(first["upper"]) - value(first["centre"]) == pytest.approx(3 * value(first["sigma"]), abs=1e-4)
        sums = charts["force_sums"]
        assert (len(sums["points"]), sums["steps"]) == (10, [])
        assert sums["points"][0]["z"] == 0
        assert all(each["cusum_down"] <= sums["h"] for each in sums["points"])
        early = await ledger.client.get(
            f"/v1/spindles/{KEY}/charts", params={"as_of": (month(3)[1] + timedelta(hours=1)).isoformat()}
        )
        assert len(early.json()["draw_force"]["segments"][0]["points"]) == 3
        unknown = await ledger.client.get(f"/v1/spindles/{KEY}/charts", params={"as_of": "2001-01-01T00:00:00Z"})
        assert (unknown.status_code, unknown.json()["code"]) == (404, "spindle_not_found")
