"""A rule rehearsed on a year of one spindle whose draw force falls: what it would have asked, caught and cost."""

from datetime import datetime, timedelta
from typing import Any, Final

import pytest

from tests.api.documented import assert_told
from tests.running import Json, Running, rows_of_every_table, running
from tests.story.day_one import event, mm, q, story
from tests.story.sets import BEGUN, SHEET, START, commissioned

KEY: Final = "R"
A_DAY: Final = 100
RULE: Final[Json] = {
    "code": "force",
    "check": "draw_force",
    "after_days": 90,
    "since": "last_check",
    "repeat": True,
    "grace_days": 5,
}
FOUND: Final = {30: "20000", 120: "19000", 210: "17000", 250: "20000"}
"""Draw force in N by day; the warning is at 18500. What is found on day 210 is put right on day 212."""


def day(number: float) -> datetime:
    return BEGUN + timedelta(days=number)


def issued() -> Json:
    first = story()["01"]
    force = {"nominal": q("21000", "N"), "warning": q("18500", "N"), "minimum": q("16500", "N")}
    data = first["data"] | {
        "valid_from": (BEGUN - timedelta(days=1)).isoformat(),
        "draw_force": force,
        "accept_with": ["draw_force"],
        "rechecks": [RULE],
    }
    return first | {"id": "the sheet of a rehearsal", "data": data}


def pulled(number: float, force: str) -> Json:
    data = {
        "pulls": [{"value": q(force, "N")}],
        "gauge": "FG-09",
        "gauge_zeroed": True,
        "draw_bar": "clamped",
        "count": START + round(A_DAY * number),
    }
    return event("draw_force.measured", day(number), data, key=KEY)


def year() -> list[Json]:
    gauge = {"kind": "force", "resolution": q("10", "N"), "repeatability": q("60", "N"), "zeroing": {"included": True}}
    due = (day(400)).date().isoformat()
    certificate = {"expanded_uncertainty": q("100", "N"), "k": "2", "due": due, "certificate": "invented"}
    subject = {"subject": "gauges/FG-09"}
    rebuilt = {"reason": "low_force", "count": START + A_DAY * 212}
    return [
        issued(),
        event("gauge.registered", day(-1), gauge) | subject,
        event("gauge.calibrated", day(-1) + timedelta(hours=1), certificate) | subject,
        commissioned(KEY),
        *(pulled(number, force) for number, force in FOUND.items() if number < 212),
        event("clamping_set.replaced", day(212), rebuilt, key=KEY),
        pulled(212.1, "21000"),
        pulled(250, FOUND[250]),
        event("counter.read", day(290), {"count": START + A_DAY * 290}, key=KEY),
    ]


async def ask(ledger: Running, **body: Any) -> Json:
    asked = {"since": BEGUN.isoformat(), "until": day(290).isoformat()} | body
    answer = await ledger.client.post(f"/v1/sheets/{SHEET}/rehearse", json=asked)
    assert answer.status_code == 200, answer.text
    assert_told(answer)
    found: Json = answer.json()
    return found


async def test_a_closer_rule_would_have_caught_it_sooner_at_its_price(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(year())
        before = await rows_of_every_table(database_url)
        costs = {"draw_force": "25", "finding": 100, "outside_per_1000_cycles": "40"}
        found = await ask(ledger, rechecks=[RULE | {"after_days": 30}], costs=costs)
        assert await rows_of_every_table(database_url) == before
        (rule,) = [each for each in found["rechecks"] if each["recheck"] == "force"]
        # Every thirty days from day 0 to 210, and from the check of day 212 (made to accept the rebuild) to 272.
        assert rule["followed"] == 9
        assert sum(rule["by_month"].values()) == 9
        # With the checks as they were made: due on days 30, 60, 150, 242 and 280, of which the last four overdue.
        assert (rule["in_fact"]["due"], rule["as_done"]["due"], rule["as_done"]["overdue"]) == (2, 5, 4)
        (caught,) = found["caught"]
        # From 19000 N at day 120 to 17000 N at day 210: 18500 N at day 142.5; the check of day 150 finds it.
        assert (caught["verdict"], caught["outside_since"]) == ("earlier", START + 14_250)
        assert caught["by_rule"]["count"] == START + 15_000
        assert (caught["in_fact"]["count"], caught["cycles_earlier"]) == (START + 21_000, 6_000)
        assert [each["count"] - START for each in caught["by_rule_between"]] == [15_000, 21_000]
        force = found["checks"]["draw_force"]
        assert (force["made_in_fact"], force["followed"]["made"]) == (4, 9)
        assert force["followed"]["outside"] == 3
        assert force["followed"]["not_known"] >= 1
        assert (found["cost_by_rule"]["checks"], found["cost_in_fact"]["checks"]) == ("225", "100")
        assert (found["cost_by_rule"]["outside_cycles"], found["cost_in_fact"]["outside_cycles"]) == (750, 6_750)
        assert float(found["cost_in_fact"]["total"]) == 100 + 100 + 270


async def test_a_wider_rule_finds_it_later_and_another_limit_finds_more_or_less(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(year())
        later = await ask(ledger, rechecks=[RULE | {"after_days": 110}])
        (caught,) = later["caught"]
        assert (caught["verdict"], caught["cycles_earlier"]) == ("later", 21_000 - 22_000)
        stricter = await ask(ledger, draw_force={"warning": q("19500", "N")})
        (caught,) = stricter["caught"]
        assert caught["outside_since"] == START + 7_500
        assert stricter["checks"]["draw_force"]["by_rule"]["made"] == 2
        assert stricter["checks"]["draw_force"]["in_fact"]["made"] == 1
        looser = await ask(ledger, draw_force={"warning": q("16800", "N")})
        assert looser["caught_summary"] == {"only_in_fact": 1}
        same = await ask(ledger, revision=issued()["data"])
        (rule,) = [each for each in same["rechecks"] if each["recheck"] == "force"]
        assert rule["as_done"] == rule["in_fact"]


@pytest.mark.parametrize(
    ("body", "status", "code", "pointer"),
    [
        ({}, 422, "rule_unfit", "/revision"),
        ({"rechecks": [], "until": BEGUN.isoformat()}, 422, "rule_unfit", "/since"),
        ({"rechecks": [], "until": day(9000).isoformat()}, 422, "rule_unfit", "/until"),
        ({"rechecks": [], "revision": issued()["data"]}, 422, "rule_unfit", "/rechecks"),
        ({"draw_force": {"warning": q("1", "N")}}, 422, "rule_unfit", "/draw_force/warning"),
        ({"setting_depth": {"lower": mm("9")}}, 422, "rule_unfit", "/setting_depth/lower"),
        ({"rechecks": [RULE, RULE]}, 422, "rule_unfit", "/rechecks/1/code"),
        ({"rechecks": [{**RULE, "check": "smell"}]}, 422, "event_invalid", "/rechecks/0/check"),
        ({"rechecks": [], "costs": {"finding": -1}}, 422, "evaluation_invalid", "/costs/finding"),
        ({"rechecks": [{**RULE, "after_days": None, "after_cycles": 1}]}, 413, "rehearsal_too_large", "/rechecks/0"),
    ],
)
async def test_what_cannot_be_rehearsed_is_refused_by_name(
    database_url: str, body: Json, status: int, code: str, pointer: str
) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(year())
        asked = {"since": BEGUN.isoformat(), "until": day(290).isoformat()} | body
        answer = await ledger.client.post(f"/v1/sheets/{SHEET}/rehearse", json=asked)
        assert (answer.status_code, answer.json()["code"]) == (status, code), answer.text
        assert answer.json()["errors"][0]["pointer"] == pointer
        assert_told(answer)
        unknown = await ledger.client.post("/v1/sheets/NONE/rehearse", json=asked)
        assert unknown.json()["code"] == "sheet_not_found" if code != "event_invalid" else unknown.status_code == 422
