"""The door of the work orders: filters, sorts and pages, ETags, what is refused by name, and who sees what."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from typing import Any, Final

from service.cursors import write_cursor
from tests.domain.skerrow import q
from tests.running import Json, running
from tests.story.every_kind import Story
from tests.story.loading import ENDED, ago
from tests.story.ordering import BED_IN, PATH, System, acting, system
from tests.story.test_time_passes import QUIET

CONDITION: Final = {"component": "nose", "code": "cracked", "unusable": True}


@asynccontextmanager
async def three(url: str) -> AsyncIterator[tuple[Story, System]]:
    """Spindles in two plants: one unusable, one whose setting is out, one with nothing; on all a recheck is due."""
    look: Json = {"code": "look", "check": "visual", "after_days": 1, "since": "commissioning", "grace_days": 9}
    async with acting(url, look, BED_IN, kept=False) as story:
        story.now = ago(minutes=1000)
        await story.commission("S1", machine="M1", plant="north", hall="1")
        await story.commission("S2", machine="M2")
        await story.tell("condition.noted", CONDITION, of="spindles/S1")
        depths = [{"angle": q(angle, "deg"), "depth": q("11.5", "mm")} for angle in ("0", "180")]
        data = {"readings": depths, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"}
        await story.tell("setting.measured", data, of="spindles/S2")
        async with running(url, clock_shift=QUIET) as later:
            await later.sweep()
        yield story, await system(story.ledger)


async def of_cause(one: System, cause: str) -> Json:
    return next(each for each in await one.listed(cause=cause))


async def test_lists_are_filtered_and_sorted(database_url: str) -> None:
    async with three(database_url) as (_, one):

        def named(orders: list[Json]) -> list[tuple[str, str]]:
            return [(each["spindle"], each["cause"]) for each in orders]

        every = await one.listed()
        assert named(every)[0][0] == "H2-M04-S1"
        assert len(every) == 5
        assert named(await one.listed(cause="condition")) == [("S1", "condition")]
        assert named(await one.listed(cause=["condition", "setting"], sort="priority")) == [
            ("S1", "condition"),
            ("S2", "setting"),
        ]
        assert named(await one.listed(priority=[1, 2], sort="changed")) == [("S1", "condition"), ("S2", "setting")]
        assert {each["plant"] for each in await one.listed(plant="north")} == {"north"}
        assert named(await one.listed(hall="1", cause="condition")) == [("S1", "condition")]
        assert {each["machine"] for each in await one.listed(machine="M2")} == {"M2"}
        assert len(await one.listed(spindle="S2")) == 2
        by_due = await one.listed(sort="due")
        assert [each["due_by"] is None for each in by_due] == [False, False, False, True, True]
        before = (ENDED + timedelta(days=365)).isoformat()
        assert len(await one.listed(due_before=before)) == 3
        assert await one.listed(due_before=ago(days=30).isoformat()) == []
        order = await of_cause(one, "condition")
        await one.plan(order["id"], state="running")
        assert named(await one.listed(state="running")) == [("S1", "condition")]
        assert len(await one.listed(state="released")) == 4
        await one.plan(order["id"], state="closed")
        assert len(await one.listed(open="true")) == 5
        assert await one.listed(open="false") == []


async def test_walking_pages_meets_every_order_once(database_url: str) -> None:
    async with three(database_url) as (_, one):
        for sort in ("spindle", "priority", "due", "changed"):
            met, cursor = [], None
            while True:
                answer = await one.get(limit=2, sort=sort, **({} if cursor is None else {"cursor": cursor}))
                met += [each["id"] for each in answer.json()["items"]]
                cursor = answer.json()["next"]
                if cursor is None:
                    break
                assert f"cursor={cursor}" in answer.headers["link"]
            assert len(met) == len(set(met)) == 5


async def test_what_has_not_changed_is_not_sent_again_and_head_has_no_body(database_url: str) -> None:
    async with three(database_url) as (_, one):
        order = await of_cause(one, "setting")
        for path in (PATH, f"{PATH}/{order['id']}", f"{PATH}?after="):
            answer = await one.client.get(path, headers=one.headers)
            known = await one.client.get(path, headers=one.headers | {"If-None-Match": answer.headers["etag"]})
            assert (known.status_code, known.content) == (304, b"")
            head = await one.client.head(path, headers=one.headers)
            assert (head.status_code, head.content, head.headers["etag"]) == (200, b"", answer.headers["etag"])
        await one.plan(order["id"], note="seen")
        changed = await one.client.get(PATH, headers=one.headers | {"If-None-Match": answer.headers["etag"]})
        assert changed.status_code == 200


async def test_a_key_sees_and_plans_what_is_in_its_plants(database_url: str) -> None:
    async with three(database_url) as (story, one):
        north = await system(story.ledger, plants=["north"])
        assert (
            {each["plant"] for each in await north.listed()}
            == {each["plant"] for each in await north.changes()}
            == {"north"}
        )
        theirs = await of_cause(one, "setting")
        for answer in (
            await north.get(f"/{theirs['id']}"),
            await north.patch(theirs["id"], {"note": "x"}, etag="*"),
            await north.get("/wo_nobody"),
        ):
            assert (answer.status_code, answer.json()["code"]) == (404, "work_order_not_found")
        mine = await of_cause(north, "condition")
        assert (await north.plan(mine["id"], number="N-1"))["planning"]["number"] == "N-1"
        _, token = await story.ledger.key("read")
        reader = System(story.ledger, token)
        refused = await reader.patch(mine["id"], {"note": "x"}, etag="*")
        assert (refused.status_code, refused.json()["code"]) == (403, "scope_missing")


async def test_a_spindle_that_comes_into_a_plant_brings_its_orders_along(database_url: str) -> None:
    async with three(database_url) as (story, _):
        north = await system(story.ledger, plants=["north"])
        await north.changes()
        moved = {"plant": "north", "hall": "1", "machine": "M9", "position": "1"}
        await story.tell("spindle.installed", moved, of="spindles/S2")
        assert sorted(each["cause"] for each in await north.changes()) == ["recheck", "setting"]


LONG: Final = "x" * 201
BODIES: Final[list[tuple[Any, int, str, str]]] = [
    ({"planning": {"state": "completed"}}, 409, "member_of_the_ledger", "/planning/state"),
    ({"planning": {"state": "cancelled"}}, 409, "member_of_the_ledger", "/planning/state"),
    ({"state": "closed"}, 409, "member_of_the_ledger", "/state"),
    ({"ended": None, "planning": {}}, 409, "member_of_the_ledger", "/ended"),
    ({"priority": 1}, 409, "member_of_the_ledger", "/priority"),
    ({"due_by": "2026-01-01T00:00:00Z"}, 409, "member_of_the_ledger", "/due_by"),
    ({"proof": "given"}, 409, "member_of_the_ledger", "/proof"),
    ({"planning": {"state": "done"}}, 422, "planning_invalid", "/planning/state"),
    ({"planning": {"colour": "red"}}, 422, "planning_invalid", "/planning/colour"),
    ({"planing": {}}, 422, "planning_invalid", "/planing"),
    ({}, 422, "planning_invalid", "/planning"),
    ({"planning": None}, 422, "planning_invalid", "/planning"),
    ([], 422, "planning_invalid", ""),
    ({"planning": {"number": 7}}, 422, "planning_invalid", "/planning/number"),
    ({"planning": {"number": LONG}}, 422, "planning_invalid", "/planning/number"),
    ({"planning": {"number": ""}}, 422, "planning_invalid", "/planning/number"),
    ({"planning": {"assignee": "x" * 257}}, 422, "planning_invalid", "/planning/assignee"),
    ({"planning": {"note": "x" * 4001}}, 422, "planning_invalid", "/planning/note"),
    ({"planning": {"start": "tomorrow"}}, 422, "time_invalid", "/planning/start"),
    ({"planning": {"start": "2026-02-30T00:00:00Z"}}, 422, "time_invalid", "/planning/start"),
    ({"planning": {"end": "2026-01-01T00:00:00"}}, 422, "time_invalid", "/planning/end"),
    (
        {"planning": {"start": "2026-01-02T00:00:00Z", "end": "2026-01-01T00:00:00Z"}},
        422,
        "planned_times_reversed",
        "/planning/end",
    ),
    ({"planning": {"note": "a\0b"}}, 400, "json_malformed", ""),
]


async def test_bad_input_is_refused_by_its_place_and_nothing_is_kept(database_url: str) -> None:
    async with three(database_url) as (_, one):
        order = await of_cause(one, "setting")
        headers = one.headers | {"If-Match": "*"}
        for body, status, code, pointer in BODIES:
            answer = await one.client.patch(f"{PATH}/{order['id']}", json=body, headers=headers)
            assert (answer.status_code, answer.json()["code"]) == (status, code), body
            assert answer.json()["errors"][0]["pointer"] == pointer, body
        assert await one.read(order["id"]) == order


async def test_the_other_end_of_what_was_planned_is_looked_at_too(database_url: str) -> None:
    async with three(database_url) as (_, one):
        order = await of_cause(one, "setting")
        await one.plan(order["id"], start="2026-01-02T00:00:00+01:00")
        answer = await one.patch(order["id"], {"end": "2026-01-01T22:00:00Z"})
        assert (answer.status_code, answer.json()["code"]) == (422, "planned_times_reversed")
        planned = await one.plan(order["id"], end="2026-01-01T23:00:00Z", note="", assignee="k.m.")
        assert planned["planning"] == {
            "state": None,
            "start": "2026-01-01T23:00:00Z",
            "end": "2026-01-01T23:00:00Z",
            "assignee": "k.m.",
            "number": None,
            "note": "",
        }
        given_back = await one.plan(order["id"], start=None, end=None, assignee=None)
        assert [given_back["planning"][name] for name in ("start", "end", "assignee")] == [None] * 3


async def test_a_change_says_what_it_was_decided_on(database_url: str) -> None:
    async with three(database_url) as (_, one):
        order = await of_cause(one, "setting")
        path = f"{PATH}/{order['id']}"
        bare = await one.client.patch(path, json={"planning": {"note": "x"}}, headers=one.headers)
        assert (bare.status_code, bare.json()["code"]) == (428, "if_match_missing")
        weak = await one.read(order["id"]) and f"W/{one.etags[order['id']]}"
        assert (await one.patch(order["id"], {"note": "x"}, etag=str(weak))).status_code == 412
        form = one.headers | {"Accept": "application/b2mml+json"}
        theirs = (await one.client.get(path, headers=form)).headers["etag"]
        assert theirs != one.etags[order["id"]]
        assert (await one.patch(order["id"], {"note": "x"}, etag=theirs)).status_code == 200
        merged = one.headers | {"If-Match": "*", "Content-Type": "application/merge-patch+json"}
        assert (await one.client.patch(path, content=b'{"planning":{"note":null}}', headers=merged)).status_code == 200
        plain = one.headers | {"If-Match": "*", "Content-Type": "text/plain"}
        assert (await one.client.patch(path, content=b'{"planning":{}}', headers=plain)).status_code == 415


QUESTIONS: Final = [
    ({"after": "nonsense"}, "cursor_malformed", "after"),
    ({"after": "", "sort": "due"}, "not_with_after", "sort"),
    ({"after": "", "state": "released"}, "not_with_after", "state"),
    ({"after": "", "open": "false"}, "not_with_after", "open"),
    ({"after": "", "cursor": "x"}, "not_with_after", "cursor"),
    ({"cursor": "x"}, "cursor_malformed", "cursor"),
    ({"priority": "0"}, "request_invalid", "priority"),
    ({"priority": "99999999999"}, "request_invalid", "priority"),
    ({"state": "done"}, "request_invalid", "state"),
    ({"cause": "mood"}, "request_invalid", "cause"),
    ({"plant": "a b"}, "request_invalid", "plant"),
    ({"due_before": "soon"}, "time_invalid", "due_before"),
    ({"colour": "red"}, "query_parameter_unknown", "colour"),
]


async def test_bad_questions_are_refused_by_their_parameter(database_url: str) -> None:
    async with three(database_url) as (_, one):
        for parameters, code, parameter in QUESTIONS:
            answer = await one.get(**parameters)
            assert answer.status_code in (400, 422)
            assert (answer.json()["code"], answer.json()["errors"][0]["parameter"]) == (code, parameter)


async def test_a_cursor_of_another_ledger_or_list_is_refused(database_url: str) -> None:
    async with three(database_url) as (_, one):
        ahead = write_cursor(("changes of work orders",), [10_000])
        answer = await one.get(after=ahead)
        assert (answer.status_code, answer.json()["code"]) == (400, "cursor_malformed")


FORMS: Final = [
    ("*/*", 200, "application/json"),
    ("application/b2mml+json", 200, "application/b2mml+json"),
    ("text/html, application/*;q=0.1", 200, "application/json"),
    ("application/json;q=0.2, application/b2mml+json", 200, "application/b2mml+json"),
    ("text/html", 406, "application/problem+json"),
    ("application/json;q=0", 406, "application/problem+json"),
    ("application/xml", 406, "application/problem+json"),
]


async def test_the_form_that_is_asked_for_is_answered_or_refused(database_url: str) -> None:
    async with three(database_url) as (_, one):
        order = await of_cause(one, "setting")
        for accept, status, form in FORMS:
            for path in (PATH, f"{PATH}/{order['id']}", f"{PATH}?after="):
                answer = await one.client.get(path, headers=one.headers | {"Accept": accept})
                assert (answer.status_code, answer.headers["content-type"].partition(";")[0]) == (status, form)
                if status == 406:
                    assert answer.json()["code"] == "not_acceptable"
                else:
                    assert answer.headers["vary"] == "Accept"
