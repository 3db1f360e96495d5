"""Events as lines over HTTP: each answered with its number, in bounded memory, whether the caller reads or not."""

import asyncio
import json
import tracemalloc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from ipaddress import ip_network
from typing import Any, Final, cast

import pytest
import uvicorn

from service.api.event_lines import HELD_BYTES_MAX, LINE_BYTES_MAX
from service.app import create_app
from service.environment import Environment
from tests.running import BOOTSTRAP, Json, Running, rows_of_every_table, running
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, story

NDJSON: Final = {"Content-Type": "application/x-ndjson"}
PATIENCE_S: Final = 60


async def send(ledger: Running, *lines: bytes) -> list[Json]:
    answer = await ledger.client.post("/v1/events", content=b"\n".join(lines), headers=NDJSON)
    assert (answer.status_code, answer.headers["content-type"]) == (200, NDJSON["Content-Type"])
    return [json.loads(line) for line in answer.content.splitlines()]


def line(sent: Json) -> bytes:
    return json.dumps(sent).encode()


async def test_day_one_as_lines_is_answered_as_day_one_one_by_one(database_url: str, another_database_url: str) -> None:
    events = list(story().values())
    async with running(database_url) as ledger, running(another_database_url) as one_by_one:
        answers = await send(ledger, *map(line, events))
        singly = await one_by_one.record_all(events)
        for answer in [*answers, *singly]:
            for name in ("position", "recorded", "hash"):
                del answer["entry"][name]
        assert [answer.pop("line") for answer in answers] == list(range(1, len(events) + 1))
        assert answers == singly
        again = await send(ledger, *map(line, events))
        assert {answer["status"] for answer in again} == {"duplicate"}
        assert again[4]["verdict"] == answers[4]["verdict"]


async def test_a_line_that_cannot_be_read_is_refused_with_its_number_and_the_rest_goes_on(database_url: str) -> None:
    sheet, gauge, calibration, commissioned = (line(story()[number]) for number in ("01", "02", "03", "04"))
    too_long = b'{"a":"' + b"x" * LINE_BYTES_MAX + b'"}'
    async with running(database_url) as ledger:
        answers = await send(
            ledger, sheet, b"", b"{", b" \r", gauge + b"\r", b"\xff\xfe", too_long, b"[" * 20_000, b"[]",
            line(counter_read(ENDED, 1, key="unknown")), calibration, commissioned, b"", b"",
        )  # fmt: skip
        assert [(answer["line"], answer["status"], answer.get("problem", {}).get("code")) for answer in answers] == [
            (1, "accepted", None),
            (3, "refused", "json_malformed"),
            (5, "accepted", None),
            (6, "refused", "json_malformed"),
            (7, "refused", "line_too_long"),
            (8, "refused", "json_malformed"),
            (9, "refused", "json_malformed"),
            (10, "refused", "spindle_unknown"),
            (11, "accepted", None),
            (12, "accepted", None),
        ]
        assert (await rows_of_every_table(database_url))["ledger.entry"] == 4


async def test_a_refused_line_may_come_again_corrected(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all([story()[number] for number in ("01", "02", "03", "04")])
        wrong = event("clamp.exercised", ENDED, {"cycles": -3})
        (refused,) = await send(ledger, line(wrong))
        assert [error["pointer"] for error in refused["problem"]["errors"]] == ["/data/cycles"]
        (taken,) = await send(ledger, line(wrong | {"data": {"cycles": 3}}))
        assert taken["status"] == "accepted"


async def test_no_line_and_lines_of_another_charset(database_url: str) -> None:
    async with running(database_url) as ledger:
        assert await send(ledger) == []
        assert await send(ledger, b"\n\n  \n") == []
        headers = {"Content-Type": "application/x-ndjson; charset=latin-1"}
        assert (await ledger.client.post("/v1/events", content=b"", headers=headers)).status_code == 415
        _, token = await ledger.key("read")
        headers = NDJSON | {"Authorization": f"Bearer {token}"}
        assert (await ledger.client.post("/v1/events", content=b"", headers=headers)).status_code == 403


@pytest.mark.parametrize("media", ["application/json", "application/cloudevents-batch+json"])
async def test_only_lines_may_be_of_any_length(database_url: str, media: str) -> None:
    async with running(database_url) as ledger:
        body = b" " * (17 * 1024 * 1024)

        async def chunks() -> AsyncIterator[bytes]:
            yield body

        for content in (body, chunks()):
            answer = await ledger.client.post("/v1/events", content=content, headers={"Content-Type": media})
            assert (answer.status_code, answer.json()["code"]) == (413, "body_too_large")
        assert await send(ledger, *[b" " * (LINE_BYTES_MAX - 1)] * 20) == []


async def test_many_lines_are_taken_in_bounded_memory(database_url: str) -> None:
    """18 MB of lines, none of which is an event, with answers of 3 MB."""
    refused = b'{"specversion":"1.0","pad":"' + b"x" * 1500 + b'"}\n'

    async def body() -> AsyncIterator[bytes]:
        for _ in range(120):
            yield refused * 100

    async with running(database_url) as ledger:
        sent = ledger.client.build_request("POST", "/v1/events", content=body(), headers=NDJSON)
        peaks = []
        app: Any = ledger.app
        answered = 0

        async def read() -> Json:
            try:
                return {"type": "http.request", "body": await anext(chunks), "more_body": True}
            except StopAsyncIteration:
                return {"type": "http.request", "body": b"", "more_body": False}

        async def written(message: Any) -> None:
            nonlocal answered
            answered += message.get("body", b"").count(b"\n")
            peaks.append(tracemalloc.get_traced_memory()[0])

        chunks = aiter(cast(AsyncIterator[bytes], sent.stream))
        headers = [(name.lower(), value) for name, value in sent.headers.raw]
        scope = {"type": "http", "method": "POST", "path": "/v1/events", "raw_path": b"/v1/events", "query_string": b""}
        tracemalloc.start()
        try:
            await app(scope | {"headers": headers, "asgi": {"version": "3.0"}, "root_path": ""}, read, written)
        finally:
            tracemalloc.stop()
        assert answered == 12_000
        assert max(peaks) < 8 * 1024 * 1024 + HELD_BYTES_MAX


@asynccontextmanager
async def listening(database_url: str) -> AsyncIterator[int]:
    """The application behind a real server on a port of loopback, with day one's sheet, gauge and spindle."""
    networks = (ip_network("127.0.0.0/8"),)
    environment = Environment(database_url=database_url, bootstrap_key=BOOTSTRAP, webhook_networks=networks)
    async with running(database_url) as ledger:
        await ledger.record_all([story()[number] for number in ("01", "02", "03", "04")])
    app = create_app(environment, parts=frozenset())
    server = uvicorn.Server(uvicorn.Config(cast(Any, app), host="127.0.0.1", port=0, log_config=None, lifespan="on"))
    serving = asyncio.create_task(server.serve())
    async with asyncio.timeout(PATIENCE_S):
        while not server.started:  # noqa: ASYNC110 - the server has no event to wait for
            await asyncio.sleep(0.01)
    try:
        yield server.servers[0].sockets[0].getsockname()[1]
    finally:
        server.should_exit = True
        await serving


def head(*fields: str) -> bytes:
    wanted = ("POST /v1/events HTTP/1.1", "Host: ledger.test", f"Authorization: Bearer {BOOTSTRAP}", *fields)
    return "\r\n".join([*wanted, "Content-Type: application/x-ndjson", "", ""]).encode()


async def answered_lines(reader: asyncio.StreamReader) -> AsyncIterator[Json]:
    """The lines of a chunked answer, as they come."""
    assert (await reader.readuntil(b"\r\n\r\n")).startswith(b"HTTP/1.1 200")
    held = b""
    while size := int(await reader.readline(), 16):
        held += (await reader.readexactly(size + 2))[:-2]
        *whole, held = held.split(b"\n")
        for each in whole:
            yield json.loads(each)


async def test_a_caller_who_reads_gets_each_answer_before_it_sends_the_next_line(database_url: str) -> None:
    async with listening(database_url) as port, asyncio.timeout(PATIENCE_S):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(head("Transfer-Encoding: chunked"))
        answers = answered_lines(reader)
        for number in range(1, 4):
            sent = line(counter_read(ENDED + timedelta(minutes=number), 118_300 + number)) + b"\n"
            writer.write(b"%x\r\n%s\r\n" % (len(sent), sent))
            answer = await anext(answers)
            assert (answer["line"], answer["status"], answer["state"]["count"]) == (
                number,
                "accepted",
                118_300 + number,
            )
        writer.write(b"0\r\n\r\n")
        assert [answer async for answer in answers] == []
        writer.close()


async def test_a_caller_who_sends_everything_before_it_reads_is_not_stuck(database_url: str) -> None:
    lines = 40_000
    body = b"{}\n" * lines
    async with listening(database_url) as port, asyncio.timeout(PATIENCE_S):
        reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=2**16)
        writer.write(head(f"Content-Length: {len(body)}") + body)
        await writer.drain()
        await asyncio.sleep(3)
        numbers = [answer["line"] async for answer in answered_lines(reader)]
        assert numbers == list(range(1, lines + 1))
        writer.close()


async def test_what_was_sent_before_a_caller_hung_up_is_kept(database_url: str) -> None:
    async with listening(database_url) as port, asyncio.timeout(PATIENCE_S):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        sent = [line(counter_read(ENDED + timedelta(minutes=number), 118_300 + number)) for number in (1, 2)]
        writer.write(head("Content-Length: 10000") + sent[0] + b"\n" + sent[1][:-1])
        assert (await anext(answered_lines(reader)))["status"] == "accepted"
        writer.close()
        await writer.wait_closed()
    async with running(database_url) as ledger:
        assert [entry["type"] for entry in await ledger.history()] == ["spindle.commissioned", "counter.read"]
        assert (await ledger.spindle(SPINDLE))["count"] == 118_301
