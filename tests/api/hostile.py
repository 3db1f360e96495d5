"""Bodies that nobody should send, for every door that takes one; and what must hold of the answer."""

import copy
import json
from typing import Any, Final

import httpx
import msgspec

from tests.running import Json
from tests.story.day_one import ENDED, SPINDLE, story

JSON: Final = "application/json"
BATCH: Final = "application/cloudevents-batch+json"
MEASURED: Final = story()["09"]
READ: Final = story()["05"]
READINGS: Final[Json] = {"source": "/skerrow/mes", "time": ENDED.isoformat(), "readings": {SPINDLE: 118_300}}
ENDPOINT: Final[Json] = {"url": "https://192.0.43.10/hook", "types": ["recheck.due"]}
MINTED: Final[Json] = {"name": "tablet", "scopes": ["read"]}
DOORS: Final[dict[str, Json]] = {
    "/v1/events": MEASURED,
    "/v1/counter-readings": READINGS,
    "/v1/webhook-endpoints": ENDPOINT,
    "/v1/keys": MINTED,
    "/v1/evaluations/setting": {"sheet": "SKERROW-A", "gauge": "DG-03", "readings": MEASURED["data"]["readings"]},
    "/v1/evaluations/conformity": {"y": "1", "u": "1", "lower": "0", "upper": "2", "rule": {"name": "simple"}},
    "/v1/evaluations/chart": {"kind": "individuals", "x": ["1", "2", "4"], "parameters": {"sigma": "1"}},
    "/v1/evaluations/trend": {"y": ["1", "2", "4", "3"], "x": ["0", "1", "2", "3"], "limit": "9"},
    "/v1/evaluations/life": {"failures": ["1", "2", "4"], "censored": ["3"], "at": ["2"]},
    "/v1/evaluations/growth": {"times": ["1", "2", "4"], "end": "5", "truncation": "time"},
    "/v1/evaluations/replacement": {"shape": "2", "scale": "9", "cost_planned": "1", "cost_failure": "5"},
    "/v1/evaluations/spring": {
        "De": "50",
        "Di": "25",
        "t": "3",
        "h0": "1",
        "s": "0.5",
        "E": "206000",
        "nu": "0.3",
        "stack": {"parallel": 2, "series": 3, "w_R": "0.03"},
    },
}
"""Every door that takes a body, with one that it can at least read."""

BYTES: Final[dict[str, bytes]] = {
    "empty": b"",
    "blank": b"  \n",
    "not UTF-8": b'{"source": "\xff\xfe"}',
    "a lone surrogate's bytes": b'{"source": "\xed\xa0\x80"}',
    "UTF-16": '{"source": "a"}'.encode("utf-16"),
    "20,000 arrays": b"[" * 20_000 + b"]" * 20_000,
    "20,000 objects": b'{"data":' * 20_000 + b"1" + b"}" * 20_000,
    "20,000 arrays left open": b"[" * 20_000,
    "null": b"null",
    "true": b"true",
    "a number": b"7",
    "a text": b'"event"',
    "an empty object": b"{}",
    "NaN": b"NaN",
    "cut off": b'{"source": "/a", "time',
    "two values": b"{}{}",
    "a comment": b"{/* */}",
    "one quote": b"{'source': 1}",
    "a trailing comma": b'{"source": "/a",}',
    "a raw NUL": b'{"source": "a\x00b"}',
    "an escaped NUL": b'{"source": "a\\u0000b"}',
    "an escaped NUL as a member": b'{"a\\u0000": 1}',
    "a lone surrogate": b'{"source": "\\ud800"}',
    "a 5,000-digit integer": b'{"source": ' + b"9" * 5_000 + b"}",
    "a 5,000-digit exponent": b'{"source": 1e' + b"9" * 5_000 + b"}",
    "a form": b"source=a&time=b",
}


def with_member(body: Json, place: tuple[str | int, ...], value: Any) -> Json:
    """A copy of a body with one member replaced, or added."""
    made = copy.deepcopy(body)
    inner: Any = made
    for name in place[:-1]:
        inner = inner[name]
    inner[place[-1]] = value
    return made


def places(value: Any, above: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every member and item of a body, by its place."""
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    else:
        return []
    return [place for name, member in inner for place in ((*above, name), *places(member, (*above, name)))]


def objects(value: Any, above: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every object of a body, by its place."""
    named = [place for place in places(value, above) if isinstance(at(value, place), dict)]
    return [above, *named]


def at(value: Any, place: tuple[str | int, ...]) -> Any:
    for name in place:
        value = value[name]
    return value


def raw(body: Json, place: tuple[str | int, ...], written: str) -> bytes:
    """A body with one member written as given, which need not be JSON."""
    mark = "the-one-that-is-replaced"
    return json.dumps(with_member(body, place, mark)).replace(f'"{mark}"', written).encode()


def assert_problem(answer: httpx.Response, *, names_the_place: bool = True) -> Json:
    """A problem document that says what and where, never a failure of ours."""
    assert 400 <= answer.status_code < 500, (answer.status_code, answer.text[:300])
    assert answer.headers["content-type"].partition(";")[0] == "application/problem+json"
    problem: Json = msgspec.json.decode(answer.content)
    assert {"type", "title", "status", "detail", "code"} <= problem.keys()
    assert problem["status"] == answer.status_code
    assert problem["type"] == f"urn:spindle-ledger:problem:{problem['code']}"
    assert problem["detail"]
    assert len(answer.content) < 20_000, "a problem does not repeat what it was sent"
    if names_the_place:
        assert problem.get("errors"), problem
        assert all(error["pointer"] == "" or error["pointer"].startswith("/") for error in problem["errors"])
    return problem
