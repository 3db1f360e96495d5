"""What is really answered is what the document tells of: bodies, headers and problems, over a story and its errors."""

import json
from datetime import UTC, datetime
from typing import Any, Final

import msgspec
import pytest

from service.api.document_members import KINDS_OF_QUANTITY
from service.api.document_shapes import event_name
from service.domain.event.envelope import read_event
from service.domain.quantity import UNITS
from service.domain.refusal import Refusal
from tests.api.documented import assert_told, faults, operations
from tests.api.test_openapi_document import EVENTS
from tests.running import Json, Running, running
from tests.story.agent_documents import DEVICE, document, series
from tests.story.day_one import SPINDLE, story

PARAMETERS: Final = {
    "spindle": SPINDLE,
    "code": "SKERROW-A",
    "gauge": "DG-03",
    "lot": "L-2291",
    "number": "1",
    "work_order": "",
}
_STUDIED: Final = "3"


async def _told_story(ledger: Running) -> tuple[str, str]:
    """Day one, a lot and an endpoint; answers the ids of the endpoint and of a ping."""
    lot = {"sheet": "SKERROW-A", "quantity": 4}
    first = story()["01"] | {"id": "a lot", "type": "lot.received", "subject": "lots/L-2291", "data": lot}
    trials = [
        {"part": part, "person": person, "trial": trial, "value": {"value": f"11.4{trial}", "unit": "mm"}}
        for part in "AB"
        for person in ("k.m.", "r.t.")
        for trial in (1, 2)
    ]
    study = first | {
        "id": "a study",
        "type": "gauge.studied",
        "subject": "gauges/DG-03",
        "data": {"measurements": trials},
    }
    for event in (*story().values(), first, study):
        assert_told(await ledger.send(event))
    added = await ledger.client.post("/v1/webhook-endpoints", json={"url": "https://127.0.0.1:9/hook"})
    assert_told(added)
    endpoint: str = added.json()["id"]
    pinged = await ledger.client.post(f"/v1/webhook-endpoints/{endpoint}/ping")
    assert_told(pinged)
    return endpoint, pinged.json()["notice"]


async def _mapped(ledger: Running) -> str:
    """The id of a mapping, and a document with what it ties and what nothing does."""
    wanted = {"device": DEVICE, "item": "act", "use": "absolute", "spindle": SPINDLE}
    added = await ledger.client.post("/v1/mtconnect-mappings", json=wanted)
    assert_told(added)
    mapping: str = added.json()["id"]
    said = series("ActivationCount", "act", ["UNAVAILABLE", "118300", "many"], begin=datetime.now(UTC))
    for item in ("act", "other"):
        body = document([msgspec.structs.replace(each, item=item) for each in said])
        assert_told(await _post(ledger, "/v1/ingest/mtconnect", body, "application/xml"))
    whole = {"If-Match": "*"}
    address = f"/v1/mtconnect-mappings/{mapping}"
    assert_told(await ledger.client.patch(address, json={"use": "delta"}, headers=whole))
    return mapping


async def test_everything_that_can_be_read_is_answered_as_told(database_url: str) -> None:
    async with running(database_url) as ledger:
        endpoint, notice = await _told_story(ledger)
        named = PARAMETERS | {"endpoint_id": endpoint, "notice": notice, "entry": _STUDIED}
        orders = (await ledger.client.get("/v1/work-orders")).json()["items"]
        named["work_order"] = orders[0]["id"]
        named["mapping_id"] = await _mapped(ledger)
        for path, method, told in operations():
            if method != "get":
                continue
            address = path.format(**named)
            answer = await ledger.client.get(address)
            assert answer.status_code == 200, (address, answer.text)
            assert_told(answer)
            if "304" in told["responses"]:
                again = await ledger.client.get(address, headers={"If-None-Match": answer.headers["ETag"]})
                assert again.status_code == 304, address
                assert_told(again)
            assert_told(await ledger.client.head(address))
            if any(each.get("name") == "limit" for each in told.get("parameters", ())):
                assert_told(await ledger.client.get(address, params={"limit": 1}))
        assert_told(await ledger.client.get("/v1/spindles", params={"view": "health", "health": "normal"}))
        assert_told(await ledger.client.get("/v1/events", headers={"Accept": "application/x-ndjson"}))
        for form in ("application/b2mml+json", "text/html"):
            for path in ("/v1/work-orders", f"/v1/work-orders/{named['work_order']}"):
                assert_told(await ledger.client.get(path, headers={"Accept": form}))
        assert_told(await ledger.client.delete(f"/v1/webhook-endpoints/{named['endpoint_id']}"))
        assert_told(await ledger.client.delete(f"/v1/mtconnect-mappings/{named['mapping_id']}"))


async def test_the_answers_to_what_is_sent_again_or_refused_are_told_of(database_url: str) -> None:
    async with running(database_url) as ledger:
        await _told_story(ledger)
        events = story()
        other = events["09"] | {"data": events["13"]["data"]}
        unknown = events["09"] | {"id": "x", "subject": "spindles/NONE"}
        for event in (events["09"], other, unknown, events["04"] | {"id": "y"}, {}, {"specversion": "1.0"}):
            assert_told(await ledger.send(event))
        batch = [events["09"], other, {"a": 1}]
        assert_told(await _post(ledger, "/v1/events", json.dumps(batch), "application/cloudevents-batch+json"))
        lines = "\n".join(json.dumps(event) for event in batch)
        assert_told(await _post(ledger, "/v1/events", lines, "application/x-ndjson"))
        now = datetime.now(UTC)
        assert (await ledger.read_counters(now, {SPINDLE: 118_215, "NONE": 4}))["refused"] == 1
        again = {"source": "/skerrow/mes", "time": now.isoformat(), "readings": {SPINDLE: 118_215, "NONE": 4}}
        assert_told(await ledger.client.post("/v1/counter-readings", json=again))


async def test_the_answers_to_planning_are_told_of(database_url: str) -> None:
    async with running(database_url) as ledger:
        await _told_story(ledger)
        orders = (await ledger.client.get("/v1/work-orders", params={"after": ""})).json()["items"]
        path = f"/v1/work-orders/{orders[0]['id']}"
        etag = {"If-Match": (await ledger.client.get(path)).headers["etag"]}
        sent: list[tuple[Json, Json]] = [
            ({"planning": {"number": "A-1", "assignee": "k.m.", "start": "2026-01-01T00:00:00Z"}}, etag),
            ({"planning": {"number": "A-2"}}, etag),
            ({"planning": {"state": "completed"}}, {"If-Match": "*"}),
            ({"planning": {"state": "running"}}, {"If-Match": "*"}),
            ({"planning": {"end": "2025-01-01T00:00:00Z"}}, {"If-Match": "*"}),
            ({"planning": {}}, {}),
        ]
        statuses = []
        for body, headers in sent:
            answer = await ledger.client.patch(path, json=body, headers=headers)
            assert_told(answer)
            statuses.append(answer.status_code)
        assert statuses == [200, 412, 409, 409, 422, 428]


async def _post(ledger: Running, path: str, content: str | bytes, media: str) -> Any:
    return await ledger.client.post(path, content=content, headers={"Content-Type": media})


async def test_every_operation_refuses_as_told(database_url: str) -> None:
    async with running(database_url) as ledger:
        _, reader = await ledger.key("work_orders:write")
        for path, method, told in operations():
            ids = {"endpoint_id": "none", "notice": "none", "mapping_id": "none"}
            address = path.format(**dict.fromkeys(PARAMETERS, "7"), **ids, entry="7")
            bodies = told.get("requestBody", {}).get("content", {})
            heads: list[Json] = [{}, {"Authorization": ""}, {"Authorization": f"Bearer {reader}"}]
            for headers in heads:
                sent = headers | ({"Content-Type": "application/json"} if bodies else {})
                body = b"{" if bodies else b""
                answer = await ledger.client.request(method, address, content=body, headers=sent)
                assert answer.is_error or "security" not in told or headers == {}, address
                assert_told(answer)
            assert_told(await ledger.client.request(method, address, params={"nonesuch": "1"}))
            for content, media in ((b"[]", "text/plain"), (b"\xff", "application/json"), (b"{}", "application/json")):
                if bodies:
                    assert_told(
                        await ledger.client.request(method, address, content=content, headers={"Content-Type": media})
                    )
            for each in told.get("parameters", ()):
                if each.get("in") == "query":
                    assert_told(await ledger.client.request(method, address, params={each["name"]: "\u00e9 "}))


def _changed(value: Any, place: str = "") -> list[tuple[str, Any]]:
    """The value with one change at a place, for each change that is tried: members dropped, added, of another kind."""
    found: list[tuple[str, Any]] = []
    if isinstance(value, dict):
        found.append((f"{place}+", value | {"nonesuch": 1}))
        for name, member in value.items():
            found.append((f"{place}-{name}", {other: value[other] for other in value if other != name}))
            found += [(where, value | {name: made}) for where, made in _changed(member, f"{place}/{name}")]
        if set(value) == {"value", "unit"}:
            foreign = [units[0] for units in _UNITS.values() if value["unit"] not in units]
            found += [(f"{place}={unit}", value | {"unit": unit}) for unit in (*foreign, "inch")]
            found += [(f"{place}={text!r}", value | {"value": text}) for text in ("1_0", "NaN", " 1", "1e400", True)]
    elif isinstance(value, list):
        found.append((f"{place}=[]", []))
        for number, member in enumerate(value):
            found += [
                (where, [*value[:number], made, *value[number + 1 :]])
                for where, made in _changed(member, f"{place}/{number}")
            ]
    else:
        others: list[Any] = ["", "not_applicable", -1, 1.5, 10**16, [], {}]
        found += [(f"{place}={made!r}", made) for made in others if made != value]
    return found


_UNITS: Final = {
    kind: [unit for unit, (dimension, _) in UNITS.items() if dimension == kind] for kind in KINDS_OF_QUANTITY.values()
}
_ONLY_TOGETHER: Final = (
    *("unit_of_other_kind: ", "adjustment_unclear", "direction_missing", "zeroing_unclear", "until_missing"),
    *("recheck_w", "limits_reversed", "count_beyond_modulus", "value_negative", "_not_a", "accept_with_empty"),
    *("coverage_factor", "guard_factor"),
)
"""Refusals of a member for what another member says, or for a sign, which the document tells in words."""


def _refusal(event: Json) -> Refusal | None:
    """Why the service does not read an event, or None where it does."""
    try:
        read_event(msgspec.json.encode(event))
    except Refusal as refusal:
        return refusal
    return None


def _stands(sent: Any, pointer: str | None) -> bool:
    """Whether a pointer leads to a place in what was sent, or to a member that could stand there."""
    assert pointer is not None
    *above, last = pointer.split("/")[1:] or [""]
    for name in above:
        sent = sent[int(name)] if isinstance(sent, list) else sent[name]
    return isinstance(sent, dict) or (isinstance(sent, list) and int(last) < len(sent))


@pytest.mark.parametrize("name", EVENTS)
def test_whatever_is_refused_of_an_event_is_pointed_at_where_it_stands(name: str) -> None:
    for place, changed in _changed(EVENTS[name]):
        refusal = _refusal(changed)
        for fault in () if refusal is None else refusal.faults:
            assert _stands(changed, fault.pointer), f"{place}: {fault}"
            assert fault.pointer != "/data" or place == "-data" or place.startswith("/data="), f"{place}: {fault}"


@pytest.mark.parametrize("name", EVENTS)
def test_what_the_document_refuses_of_an_event_the_service_refuses_and_the_other_way_round(name: str) -> None:
    event = EVENTS[name]
    schema = {"$ref": f"#/components/schemas/{event_name(event['type'])}"}
    changes = _changed(event["data"])
    assert len(changes) > 3
    for place, data in changes:
        changed = event | {"data": data}
        told, refusal = faults(schema, changed), _refusal(changed)
        if refusal is None:
            assert not told, f"{place}: only the document refuses: {told}"
        elif not any(word in f"{refusal.faults[0].code}: " for word in _ONLY_TOGETHER):
            assert told, f"{place}: only the service refuses: {refusal}"


def test_the_envelope_is_read_as_the_document_says() -> None:
    event = EVENTS["01 sheet.issued"] | {"expectedsequence": 0, "datacontenttype": "application/json"}
    for place, changed in _changed(event):
        if place.startswith("/data/"):
            continue
        told, refusal = faults({"$ref": "#/components/schemas/Event"}, changed), _refusal(changed)
        if refusal is None:
            assert not told, f"{place}: only the document refuses: {told}"
        elif not place.startswith("/datacontenttype"):
            assert told, f"{place}: only the service refuses: {refusal}"
