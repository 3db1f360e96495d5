"""Notices as the documents tell them: OpenAPI's webhooks and AsyncAPI's messages, made from the structs that are sent.

No package of Python's registry carries the AsyncAPI 3.0 schema, so its document is checked here by rules of the
specification that are written out; `npx @asyncapi/parser` judges it by all of them.
"""

import json
import re
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any, Final

import pytest
from jsonschema import Draft7Validator
from msgspec import Struct

from service.api.document import document_of
from service.api.document_notices import async_document
from service.app import create_app
from service.domain.notice import NOTICE_TYPES, Notice, notice_id, webhook_body
from service.domain.notice_data import NOTICE_DATA, EndpointDisabled, EndpointFailing, EndpointPing
from service.environment import Environment
from tests.api.documented import COMMITTED, DOCUMENT, notice_faults, resolved
from tests.domain.test_notice import NOON
from tests.running import Json, running, select
from tests.story.loading import ago, commissioned, measured, references

ASYNC: Final = COMMITTED.parent / "asyncapi.json"
TOLD: Final[Json] = json.loads(ASYNC.read_text("utf-8"))


def test_the_committed_document_is_up_to_date() -> None:
    made = async_document(document_of(create_app(Environment(database_url="postgresql://"))))
    assert json.loads(json.dumps(made)) == TOLD, "run: spindle-ledger asyncapi > openapi/asyncapi.json"


async def test_the_document_is_served_without_a_key(database_url: str) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.get("/asyncapi.json", headers={"Authorization": ""})
        assert (answer.status_code, answer.json()) == (200, TOLD)


def test_every_type_that_is_announced_is_a_webhook_and_a_message_and_no_other() -> None:
    announced = [name for name in NOTICE_TYPES if name in NOTICE_DATA]
    assert list(DOCUMENT["webhooks"]) == list(TOLD["components"]["messages"]) == announced
    for name in announced:
        told = DOCUMENT["webhooks"][name]["post"]
        headers = [resolved(each)["name"] for each in told["parameters"]]
        assert headers == ["webhook-id", "webhook-timestamp", "webhook-signature"]
        assert list(TOLD["components"]["messages"][name]["headers"]["properties"]) == headers
        assert {"2XX", "410", "429", "503", "3XX", "default"} == set(told["responses"])
        carried = resolved(told["requestBody"]["content"]["application/cloudevents+json"]["schema"])
        assert carried["allOf"][1]["properties"]["type"]["const"] == name


def test_ids_of_operations_are_unique_with_those_of_webhooks() -> None:
    text = COMMITTED.read_text("utf-8")
    ids = re.findall(r'"operationId": "([^"]+)"', text)
    assert len(ids) == len(set(ids))


def _references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("$ref"), str):
            yield value["$ref"]
        for each in value.values():
            yield from _references(each)
    elif isinstance(value, list):
        for each in value:
            yield from _references(each)


def _at(pointer: str) -> Any:
    found: Any = TOLD
    for part in pointer.removeprefix("#/").split("/"):
        found = found[part.replace("~1", "/").replace("~0", "~")]
    return found


def test_the_async_document_is_made_as_asyncapi_3_says() -> None:
    """AsyncAPI 3.0.0: "AsyncAPI Object", "Channel Object", "Operation Object", "Message Object"."""
    assert TOLD["asyncapi"] == "3.0.0"
    assert set(TOLD) == {"asyncapi", "info", "defaultContentType", "channels", "operations", "components"}
    assert TOLD["info"]["title"]
    assert TOLD["info"]["version"]
    for channel in TOLD["channels"].values():
        assert channel["address"] is None
        assert all(each["$ref"].startswith("#/components/messages/") for each in channel["messages"].values())
    for operation in TOLD["operations"].values():
        assert operation["action"] == "send"
        channel = _at(operation["channel"]["$ref"])
        prefix = f"{operation['channel']['$ref']}/messages/"
        assert [each["$ref"].removeprefix(prefix) for each in operation["messages"]] == list(channel["messages"])
    for reference in _references(TOLD):
        assert _at(reference) is not None


def test_its_schemas_are_of_the_draft_that_asyncapi_takes() -> None:
    """AsyncAPI 3.0.0, "Schema Object": a superset of JSON Schema Draft 07, where nothing stands beside a `$ref`."""
    newer = {"prefixItems", "unevaluatedProperties", "dependentRequired", "dependentSchemas", "$defs", "minContains"}
    for schema in TOLD["components"]["schemas"].values():
        Draft7Validator.check_schema(schema)
        assert not newer & _words(schema)
        assert not any(set(each) - {"$ref"} for each in _objects(schema) if isinstance(each.get("$ref"), str))


def _objects(value: Any) -> Iterator[Json]:
    if isinstance(value, dict):
        yield value
        for each in value.values():
            yield from _objects(each)
    elif isinstance(value, list):
        for each in value:
            yield from _objects(each)


def _words(schema: Json) -> set[str]:
    return {word for each in _objects(schema) for word in each}


async def _rejected(url: str) -> Json:
    async with running(url) as ledger:
        await ledger.record_all([*references(), commissioned("S1"), measured("S1", ago(minutes=5), "11.60", "11.60")])
        rows = await select(url, "SELECT body FROM kept.notice WHERE type = 'setting.rejected'")
    body: Json = json.loads(rows[0]["body"])
    return body


async def test_a_notice_that_is_otherwise_than_told_is_found(database_url: str) -> None:
    """Every test that runs the application ends by asking this of each notice that it put."""
    body = await _rejected(database_url)
    assert notice_faults(body) == []
    judge = Draft7Validator({**TOLD, "allOf": [TOLD["components"]["messages"]["setting.rejected"]["payload"]]})
    assert judge.is_valid(body)
    for member in body:
        if member not in ("sequence", "type"):
            assert notice_faults({name: body[name] for name in body if name != member}) != [], member
    for member in body["data"]:
        lacking = body | {"data": {name: body["data"][name] for name in body["data"] if name != member}}
        assert notice_faults(lacking) != [], member
        assert not judge.is_valid(lacking)
    assert notice_faults(body | {"data": body["data"] | {"nonesuch": 1}}) != []
    assert notice_faults(body | {"data": body["data"] | {"entry": "7"}}) != []
    assert notice_faults(body | {"source": "/elsewhere"}) != []
    deeper = deepcopy(body)
    deeper["data"]["verdict"]["outcome"] = "well"
    assert notice_faults(deeper) != []


@pytest.mark.parametrize("name", ["openapi", "asyncapi"])
def test_both_documents_say_what_a_receiver_must_do(name: str) -> None:
    text = (Path(COMMITTED).parent / f"{name}.json").read_text("utf-8")
    for said in ("byte for byte", "known by its `id`", "redirects are not followed", "Retry-After"):
        assert said in text


@pytest.mark.parametrize(
    ("notice_type", "data"),
    [
        ("endpoint.failing", EndpointFailing(endpoint="whe_1", failures=10, failing_since=NOON)),
        ("endpoint.disabled", EndpointDisabled(endpoint="whe_1", reason="it answered 410 Gone")),
        ("endpoint.ping", EndpointPing(endpoint="whe_1")),
    ],
)
def test_what_is_told_of_endpoints_is_as_documented(notice_type: str, data: Struct) -> None:
    notice = Notice(
        id=notice_id(notice_type, "x", 1), type=notice_type, subject="webhook-endpoints/whe_1", time=NOON, data=data
    )
    body = json.loads(webhook_body(notice))
    assert notice_faults(body) == []
    assert notice_faults(body | {"data": {}}) != []
