"""The OpenAPI document as a judge: what a body must be like, and whether an answer is one that it tells of."""

import json
import re
from collections.abc import Iterator
from copy import deepcopy
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

import httpx
from jsonschema import Draft202012Validator, FormatChecker

Json = dict[str, Any]
COMMITTED: Final = Path(__file__).parents[2] / "openapi" / "openapi.json"
DOCUMENT: Final[Json] = json.loads(COMMITTED.read_text("utf-8"))
LINES: Final = "application/x-ndjson"


def resolved(told: Json) -> Json:
    """What a reference refers to."""
    found: Json = DOCUMENT
    for part in told["$ref"].removeprefix("#/").split("/") if "$ref" in told else ():
        found = found[part]
    return found if "$ref" in told else told


def operations() -> Iterator[tuple[str, str, Json]]:
    """Path, method and operation."""
    for path, item in DOCUMENT["paths"].items():
        for method, told in item.items():
            yield path, method, told


def operation_at(method: str, path: str) -> Json:
    """The operation that an address belongs to; a path that is written out goes before one with a parameter."""
    found = [
        (template.count("{"), told)
        for template, verb, told in operations()
        if verb == method.lower() and re.fullmatch(re.sub(r"\{[^}]+\}", "[^/]+", template), path)
    ]
    assert found, f"{method} {path} is not in the document"
    return min(found, key=lambda each: each[0])[1]


def _closed(document: Json) -> Json:
    """The document with nothing left open: a member that it does not tell of is then a fault."""
    made = deepcopy(document)
    for schema in made["components"]["schemas"].values():
        if "properties" in schema:
            schema.setdefault("additionalProperties", False)
    return made


_CLOSED: Final = _closed(DOCUMENT)
_FORMATS: Final = FormatChecker(())


def _is_time(value: object) -> bool:
    return not isinstance(value, str) or datetime.fromisoformat(value).tzinfo is not None


def _is_day(value: object) -> bool:
    return not isinstance(value, str) or bool(date.fromisoformat(value))


_FORMATS.checks("date-time", raises=ValueError)(_is_time)
_FORMATS.checks("date", raises=ValueError)(_is_day)


def faults(schema: Json, value: Any, *, closed: bool = False) -> list[str]:
    """What is wrong with a value, each with its place; nothing where it is as the schema says."""
    judge = Draft202012Validator({**(_CLOSED if closed else DOCUMENT), "allOf": [schema]}, format_checker=_FORMATS)
    return [f"{error.json_path}: {error.message[:300]}" for error in judge.iter_errors(value)]


@cache
def _judge_of_notices(notice_type: str) -> Any:
    carried = DOCUMENT["webhooks"][notice_type]["post"]["requestBody"]["content"]["application/cloudevents+json"]
    return Draft202012Validator({**_CLOSED, "allOf": [carried["schema"]]}, format_checker=_FORMATS)


def notice_faults(body: Json) -> list[str]:
    """What a webhook's body has otherwise than the document tells of its type."""
    return [f"{error.json_path}: {error.message[:300]}" for error in _judge_of_notices(body["type"]).iter_errors(body)]


def assert_told(answer: httpx.Response) -> None:
    """The answer has a status, a content type, a body and headers that the document tells of, and nothing besides."""
    request = answer.request
    told = operation_at("GET" if request.method == "HEAD" else request.method, request.url.path)
    where = f"{request.method} {request.url.path} {answer.status_code}"
    assert str(answer.status_code) in told["responses"], f"{where} is not told of: {answer.text[:500]}"
    response = resolved(told["responses"][str(answer.status_code)])
    for name in response.get("headers", {}):
        assert name in answer.headers or name == "Link", f"{where} lacks {name}"
    for name in ("ETag", "Link", "Location", "Retry-After", "WWW-Authenticate"):
        assert name not in answer.headers or name in response.get("headers", {}), f"{where} has {name}"
    content = response.get("content", {})
    if not content or request.method == "HEAD":
        assert answer.content == b"", f"{where} has a body"
        return
    media = answer.headers["content-type"].partition(";")[0]
    assert media in content, f"{where} is {media}"
    schema = content[media]["schema"]
    if media == LINES:
        for line in answer.text.splitlines():
            assert faults(schema["x-line"], json.loads(line)) == [], f"{where}: {line}"
    elif "json" in media:
        assert faults(schema, answer.json(), closed=True) == [], f"{where}: {answer.text[:500]}"
