"""Rechecks, sheets, gauges, lots and measurements as they are read: what was said, where it stands, what holds now."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from tests.running import Json, Running, running
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, measured, mm, story

LATER = timedelta(days=60)


async def get(ledger: Running, path: str, **asked: Any) -> Json:
    answer = await ledger.client.get(path, params=asked)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


async def codes(ledger: Running, **asked: Any) -> list[str]:
    return [item["recheck"] for item in (await get(ledger, "/v1/rechecks", **asked))["items"]]


def of(subject: str, event_type: str, data: Json, identity: str, at: str | None = None) -> Json:
    time = at or ENDED.isoformat()
    head = {"specversion": "1.0", "source": "/skerrow/office", "actor": "r.t. engineer"}
    return head | {"id": identity, "subject": subject, "type": event_type, "time": time, "data": data}


async def test_rechecks_are_listed_with_their_spindle(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        items = (await get(ledger, "/v1/rechecks", sort="due"))["items"]
        shown = {each["recheck"]: each for each in (await ledger.spindle())["rechecks"]}
        for item in items:
            beside = {
                name: item.pop(name) for name in ("spindle", "plant", "hall", "machine", "sheet", "count", "expected")
            }
            left = item.pop("cycles_left")
            assert item == shown[item["recheck"]]
            assert left == item["due_at_count"] - 118_210
            assert (beside["spindle"], beside["plant"], beside["count"]) == (SPINDLE, "skerrow", 118_210)
        assert {item["recheck"] for item in items} == set(shown)


async def test_rechecks_are_found_by_what_they_are(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        both, bed_in, force = ["bed-in", "force-quarterly"], ["bed-in"], ["force-quarterly"]
        for asked, found in (
            ({}, both),
            ({"state": "waiting"}, both),
            ({"state": ["due", "overdue"]}, []),
            ({"code": "bed-in"}, bed_in),
            ({"check": "draw_force"}, force),
            ({"check": ["draw_force", "setting"]}, both),
            ({"plant": "skerrow"}, both),
            ({"plant": "fell"}, []),
            ({"spindle": SPINDLE, "state": "waiting", "check": "setting"}, bed_in),
            ({"spindle": "H2"}, []),
            ({"due_before": (ENDED + timedelta(days=365)).isoformat()}, force),
            ({"due_before": ENDED.isoformat()}, []),
        ):
            assert sorted(await codes(ledger, **asked)) == found, asked
        await ledger.record(counter_read(ENDED + timedelta(minutes=20), 118_710))
        assert await codes(ledger, state="due") == bed_in
        assert await codes(ledger, due_before=ENDED.isoformat()) == bed_in, "due is due, whatever the day"
        assert await codes(ledger, sort="due") == ["bed-in", "force-quarterly"]
        await ledger.record(measured(ENDED + timedelta(minutes=30), "11.41", "11.39"))
        assert await codes(ledger, state="satisfied") == bed_in
        assert (await codes(ledger, sort="due"))[-1] == "bed-in", "what is closed comes last"


async def test_a_recheck_whose_day_has_come_is_due_before_the_sweep_says_so(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.sweep()
        waiting = await codes(ledger, state="waiting")
    async with running(database_url, clock_shift=LATER) as later:
        now_due = await codes(later, state=["due", "overdue"])
        assert now_due == ["force-quarterly"]
        assert sorted([*now_due, *await codes(later, state="waiting")]) == sorted(waiting)


@pytest.mark.parametrize(
    ("asked", "status", "code"),
    [
        ({"state": "late"}, 400, "request_invalid"),
        ({"check": "tea"}, 400, "request_invalid"),
        ({"due_before": "tomorrow"}, 422, "time_invalid"),
        ({"due_before": "2026-01-01T00:00:00"}, 422, "time_invalid"),
        ({"standing": "due"}, 400, "query_parameter_unknown"),
    ],
)
async def test_what_cannot_be_asked_of_rechecks_is_refused(
    database_url: str, asked: Json, status: int, code: str
) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.get("/v1/rechecks", params=asked)
        assert (answer.status_code, answer.json()["code"]) == (status, code)


async def test_a_sheet_has_every_revision_as_it_was_issued_with_its_place(database_url: str) -> None:
    async with running(database_url) as ledger:
        issued = story()["01"]
        first = await ledger.record(issued)
        changed = issued["data"] | {"revision": 2, "valid_from": (ENDED + timedelta(days=30)).isoformat()}
        second = await ledger.record(of("sheets/SKERROW-A", "sheet.issued", changed, "revision 2"))
        sheet = await get(ledger, "/v1/sheets/SKERROW-A")
        assert [each["data"] for each in sheet["issued"]] == [issued["data"], changed]
        for each, receipt in zip(sheet["issued"], (first, second), strict=True):
            assert {name: each[name] for name in receipt["entry"]} == receipt["entry"]
        assert (sheet["revision"], sheet["revisions"], sheet["sequence"]) == (1, [1, 2], 2)
        (item,) = (await get(ledger, "/v1/sheets"))["items"]
        assert item == {name: sheet[name] for name in item}
    async with running(database_url, clock_shift=LATER) as later:
        assert (await get(later, "/v1/sheets/SKERROW-A"))["revision"] == 2
        assert (await get(later, "/v1/sheets"))["items"][0]["revision"] == 2


async def test_a_gauge_shows_registration_calibrations_and_whether_it_is_fit_now(database_url: str) -> None:
    async with running(database_url) as ledger:
        events = story()
        await ledger.record(events["02"])
        gauge = await get(ledger, "/v1/gauges/DG-03")
        assert (gauge["in_calibration"], gauge["due"], gauge["calibrations"]) == (False, None, [])
        await ledger.record(events["03"])
        gauge = await get(ledger, "/v1/gauges/DG-03")
        assert gauge["registered"]["data"] == events["02"]["data"]
        assert [each["data"] for each in gauge["calibrations"]] == [events["03"]["data"]]
        assert (gauge["kind"], gauge["in_calibration"]) == ("depth", True)
        assert (gauge["due"], gauge["withdrawn"]) == (events["03"]["data"]["due"], None)
        await ledger.record(of("gauges/DG-03", "gauge.withdrawn", {"reason": "dropped"}, "withdrawn"))
        gauge = await get(ledger, "/v1/gauges/DG-03")
        assert gauge["withdrawn"] == {"entry": 3, "time": gauge["withdrawn"]["time"], "reason": "dropped"}
        assert (await get(ledger, "/v1/gauges"))["items"] == [gauge]
    days = (date.fromisoformat(gauge["due"]) - datetime.now(UTC).date()).days
    for shift, fit in ((days - 1, True), (days + 2, False)):
        async with running(database_url, clock_shift=timedelta(days=shift)) as later:
            assert (await get(later, "/v1/gauges/DG-03"))["in_calibration"] is fit


async def test_a_lot_shows_its_deliveries_and_its_withdrawal(database_url: str) -> None:
    async with running(database_url) as ledger:
        for quantity in (10, 5):
            delivery = {"sheet": "SKERROW-A", "quantity": quantity}
            await ledger.record(of("lots/L-2291", "lot.received", delivery, f"delivery of {quantity}"))
        await ledger.record(of("lots/L-2291", "lot.withdrawn", {"reason": "soft segments"}, "withdrawn"))
        lot = await get(ledger, "/v1/lots/L-2291")
        assert (lot["code"], lot["sheet"], lot["quantity"], lot["sequence"]) == ("L-2291", "SKERROW-A", 15, 3)
        assert [each["quantity"] for each in lot["received"]] == [10, 5]
        assert (lot["withdrawn"]["entry"], lot["withdrawn"]["reason"]) == (3, "soft segments")
        assert (await get(ledger, "/v1/lots", prefix="L-"))["items"] == [lot]
        assert (await get(ledger, "/v1/lots", prefix="M-"))["items"] == []


async def test_what_is_not_there_is_not_found(database_url: str) -> None:
    async with running(database_url) as ledger:
        for kind in ("sheet", "gauge", "lot", "spindle"):
            for key, code in (("NONE", f"{kind}_not_found"), ("a" * 5000, f"{kind}_not_found"), ("%00", "not_found")):
                answer = await ledger.client.get(f"/v1/{kind}s/{key}")
                assert (answer.status_code, answer.json()["code"]) == (404, code)


@pytest.mark.parametrize("path", ["/v1/sheets/SKERROW-A", "/v1/gauges/DG-03", f"/v1/spindles/{SPINDLE}", "/v1/keys/1"])
async def test_a_single_thing_carries_a_strong_etag(database_url: str, path: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        first = await ledger.client.get(path)
        etag = first.headers["etag"]
        assert etag.startswith('"')
        for method in ("GET", "HEAD"):
            again = await ledger.client.request(method, path, headers={"If-None-Match": etag})
            assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", etag)
        assert (await ledger.client.get(path, headers={"If-None-Match": '"other"'})).json() == first.json()


async def test_measurements_are_read_page_by_page_in_time_or_as_they_were_recorded(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.record(measured(ENDED - timedelta(minutes=1), "11.42", "11.39"))
        force = {"pulls": [{"value": {"value": "21", "unit": "kN"}}] * 4, "gauge": "FG-09", "draw_bar": "clamped"}
        await ledger.record(event("draw_force.measured", ENDED + timedelta(minutes=1), force))
        path = f"/v1/spindles/{SPINDLE}/measurements"
        orders = {"time": [6, 11, 10, 12], "entry": [6, 10, 11, 12]}
        for sort, order in orders.items():
            met: list[Json] = []
            cursor: Json = {}
            while True:
                page = await get(ledger, path, sort=sort, limit=1, **cursor)
                met += page["items"]
                if page["next"] is None:
                    break
                cursor = {"cursor": page["next"]}
            assert [each["entry"] for each in met] == order
            assert met == (await get(ledger, path, sort=sort))["items"]
        for asked, found in (
            ({"check": "draw_force"}, [12]),
            ({"outcome": "nonconforming"}, [6]),
            ({"outcome": ["nonconforming", "not_admissible"]}, [6, 12]),
            ({"gauge": "DG-03", "check": "setting"}, [6, 11, 10]),
        ):
            assert [each["entry"] for each in (await get(ledger, path, **asked))["items"]] == found, asked
        assert met[0]["verdict"]["mean"] == mm("11.50")
