"""Counters as lines and single readings: each counted or named, in bounded memory, compressed or not."""

import gzip
import json
import tracemalloc
import zlib
from collections.abc import AsyncIterator, Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import httpx
import pytest
import zstandard

from tests.api.hostile import assert_problem
from tests.running import Json, Running, assert_dense, running
from tests.story.day_one import ENDED, event
from tests.story.test_bulk_counters import commission, counts, entries

LINES: Final = "application/x-ndjson"


def line(key: str, at: datetime, count: Any, **changes: Any) -> bytes:
    return json.dumps({"source": "/mes", "time": at.isoformat(), "spindle": key, "count": count} | changes).encode()


async def post(ledger: Running, body: Any, media: str = LINES, coding: str | None = None) -> httpx.Response:
    headers = {"Content-Type": media} | ({} if coding is None else {"Content-Encoding": coding})
    return await ledger.client.post("/v1/counter-readings", content=body, headers=headers)


async def taken(ledger: Running, lines: Iterable[bytes]) -> Json:
    answer = await post(ledger, b"\n".join(lines))
    assert answer.status_code == 200, answer.text
    told: Json = answer.json()
    return told


async def test_lines_of_one_spindle_follow_each_other_and_again_they_are_duplicates(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A", "B"])
        sent = [line(key, ENDED + timedelta(minutes=n), 118_201 + n) for n in range(300) for key in ("A", "B")]
        _, before = await entries(ledger)
        assert counts(await taken(ledger, sent)) == {"accepted": 600}
        assert (await entries(ledger))[1] == before + 600
        assert counts(await taken(ledger, reversed(sent))) == {"duplicate": 600}
        assert [(await ledger.spindle(key))["count"] for key in ("A", "B")] == [118_500, 118_500]
        await assert_dense(database_url)
        assert (await ledger.verified()).faults == []


async def test_what_stands_behind_a_surprise_waits_for_it_and_is_judged_after_it(database_url: str) -> None:
    """A roll-over in the midst of one spindle's lines: what follows counts on from it."""
    async with running(database_url) as ledger:
        await commission(ledger, ["A", "B"], modulus=118_400)
        hours = [(1, 118_390), (2, 30), (3, 60), (4, 118_300), (5, 90)]
        sent = [line(key, ENDED + timedelta(hours=n), count) for key in ("A", "B") for n, count in hours]
        assert counts(await taken(ledger, sent)) == {"accepted": 10}
        for key in ("A", "B"):
            shown = await ledger.spindle(key)
            assert (shown["count"], [each["code"] for each in shown["reasons"]][-1]) == (118_490, "counter_implausible")


def _lines_of_every_kind() -> list[tuple[bytes, str | None, str | None]]:
    """Lines with what each is answered, and the place at fault."""
    at = ENDED + timedelta(minutes=10)
    later = [at + timedelta(minutes=n) for n in range(10)]
    repeated = line("A", later[6], 118_204)[:-1] + b', "count": 118205}'
    return [
        (line("A", at, 118_300), "accepted", None),
        (b"", None, None),
        (line("NOBODY", at, 1), "spindle_unknown", None),
        (line("A", ENDED + timedelta(days=30), 118_400), "time_in_future", "/time"),
        (line("A", later[1], -1), "event_invalid", "/count"),
        (line("A", later[2], 2**63), "event_invalid", "/count"),
        (line("A", later[3], 1.5), "event_invalid", "/count"),
        (line("A", later[4], "118310"), "event_invalid", "/count"),
        (line("A", at - timedelta(minutes=1), 118_250), "late", None),
        (b'{"source": "/mes", "time', "json_malformed", ""),
        (line("A", at, 118_301), "identity_conflict", None),
        (line("A", later[5], 118_320, colour="red"), "event_invalid", "/colour"),
        (repeated, "member_repeated", "/count"),
        (b"x" * 5000, "line_too_long", None),
        (line("A", at, 118_300), "duplicate", None),
        (b"[]", "event_invalid", ""),
        (line("A", later[9], 118_330), "accepted", None),
    ]


async def test_each_line_that_is_not_accepted_is_named_and_the_others_are_counted(database_url: str) -> None:
    sent = _lines_of_every_kind()
    async with running(database_url) as ledger:
        await commission(ledger, ["A"])
        told = await taken(ledger, [body for body, _, _ in sent])
        assert counts(told) == {"accepted": 2, "duplicate": 1, "late": 1, "refused": 12}
        wanted = {
            number: (said, place)
            for number, (_, said, place) in enumerate(sent, start=1)
            if said not in (None, "accepted", "duplicate")
        }
        found = {}
        for each in told["items"]:
            problem = each.get("problem", {})
            place = problem.get("errors", [{"pointer": None}])[0]["pointer"]
            found[each["line"]] = (problem.get("code", each["status"]), place)
        assert found == wanted
        assert {each["key"] for each in told["items"]} == {"A", "NOBODY", ""}
        assert (await ledger.spindle("A"))["count"] == 118_330


@pytest.mark.parametrize("body", [b"", b"\n\n  \n"])
async def test_no_lines_are_no_readings(database_url: str, body: bytes) -> None:
    async with running(database_url) as ledger:
        assert counts((await post(ledger, body)).json()) == {}


async def test_one_reading_is_a_body_too(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A"])
        one = line("A", ENDED, 118_300)
        assert counts((await post(ledger, one, "application/json")).json()) == {"accepted": 1}
        assert counts((await post(ledger, one, "application/json")).json()) == {"duplicate": 1}
        place = line("M-A/1", ENDED + timedelta(minutes=1), 118_301)
        assert counts((await post(ledger, place, "application/json")).json()) == {"accepted": 1}
        for wrong, pointer in ((line("A", ENDED, -1), "/count"), (line("A", ENDED, 1, time="now"), "/time")):
            problem = assert_problem(await post(ledger, wrong, "application/json"))
            assert problem["errors"][0]["pointer"] == pointer


async def test_in_a_snapshot_each_bad_reading_is_named_and_none_holds_up_another(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A", "B", "C"])
        readings = '"A":118300,"B":-1,"C":9223372036854775808,"A":118300,"A":118301,"":4,"D":1.5,"E":"7","C":118201'
        body = f'{{"source":"/mes","time":"{ENDED.isoformat()}","readings":{{{readings}}}}}'
        told = (await post(ledger, body, "application/json")).json()
        assert counts(told) == {"accepted": 2, "duplicate": 1, "refused": 6}
        found = [(each["key"], each["problem"]["code"]) for each in told["items"]]
        invalid = [(key, "event_invalid") for key in ("", "B", "C", "D", "E")]
        assert sorted(found) == sorted([*invalid, ("A", "identity_conflict")])
        twice = body.replace('"source":"/mes",', '"source":"/mes","source":"/other",')
        problem = assert_problem(await post(ledger, twice, "application/json"))
        assert (problem["code"], problem["errors"][0]["pointer"]) == ("member_repeated", "/source")
        nul = body.replace('"":4', '"\\u0000":4')
        assert_problem(await post(ledger, nul, "application/json"))


def packed(body: bytes, coding: str) -> bytes:
    return gzip.compress(body) if coding == "gzip" else zstandard.ZstdCompressor().compress(body)


@pytest.mark.parametrize("coding", ["gzip", "zstd"])
async def test_bodies_come_compressed(database_url: str, coding: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A"])
        sent = [line("A", ENDED + timedelta(seconds=n), 118_201 + n) for n in range(3000)]
        halves = (sent[:1500], sent[1500:])
        two_members = b"".join(packed(b"\n".join(half) + b"\n", coding) for half in halves)

        async def in_bits() -> AsyncIterator[bytes]:
            for begin in range(0, len(two_members), 97):
                yield two_members[begin : begin + 97]

        answer = await post(ledger, in_bits(), LINES, coding)
        assert counts(answer.json()) == {"accepted": 3000}
        at = (ENDED + timedelta(hours=2)).isoformat()
        snapshot = json.dumps({"source": "/mes", "time": at, "readings": {"A": 121_300}}).encode()
        told = await post(ledger, packed(snapshot, coding), "application/json", coding.upper())
        assert counts(told.json()) == {"accepted": 1}
        seen = json.dumps(event("visual.checked", ENDED + timedelta(hours=3), {}, key="A")).encode()
        for media, status in (("application/json", "accepted"), (LINES, "duplicate")):
            headers = {"Content-Type": media, "Content-Encoding": coding}
            recorded = await ledger.client.post("/v1/events", content=packed(seen, coding), headers=headers)
            assert recorded.json()["status"] == status


@pytest.mark.parametrize("path", ["/v1/counter-readings", "/v1/events"])
@pytest.mark.parametrize("media", ["application/json", LINES])
async def test_what_is_no_such_coding_is_refused_by_name(database_url: str, path: str, media: str) -> None:
    async with running(database_url) as ledger:

        async def sent(body: bytes, coding: str) -> httpx.Response:
            headers = {"Content-Type": media, "Content-Encoding": coding}
            return await ledger.client.post(path, content=body, headers=headers)

        for coding in ("br", "deflate", "gzip, gzip", "gzip, zstd", "aes128gcm"):
            answer = await sent(b"{}", coding)
            assert (answer.status_code, answer.json()["code"]) == (415, "content_encoding_unknown")
            assert answer.headers["accept-encoding"] == "gzip, zstd"
        for coding in ("gzip", "zstd"):
            for body in (b"not packed", packed(b"x" * 100, coding)[:-5], packed(b"{}", coding) + b"tail"):
                answer = await sent(body, coding)
                cut = answer.status_code == 200
                found = answer.json() if not cut else json.loads(answer.text.splitlines()[-1])["problem"]
                assert (found["status"], found["code"]) == (400, "content_encoding_malformed"), answer.text


def bombs() -> dict[str, tuple[str, bytes]]:
    zeros = b"0" * 1_000_000
    deflated = zlib.compressobj(9, zlib.DEFLATED, 31)
    gzipped = b"".join(deflated.compress(zeros) for _ in range(120)) + deflated.flush()
    framed = zstandard.ZstdCompressor(level=19).compressobj()
    zstandard_frames = b"".join(framed.compress(zeros) for _ in range(400)) + framed.flush()
    return {"gzip": ("gzip", gzipped), "zstd": ("zstd", zstandard_frames)}


@pytest.mark.parametrize("path", ["/v1/counter-readings", "/v1/events"])
@pytest.mark.parametrize("coding", ["gzip", "zstd"])
@pytest.mark.parametrize("media", ["application/json", LINES])
async def test_a_bomb_is_refused_before_it_is_held(database_url: str, path: str, coding: str, media: str) -> None:
    _, body = bombs()[coding]
    async with running(database_url) as ledger:
        tracemalloc.start()
        try:
            headers = {"Content-Type": media, "Content-Encoding": coding}
            answer = await ledger.client.post(path, content=body, headers=headers)
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        found = answer.json() if answer.status_code != 200 else json.loads(answer.text.splitlines()[-1])["problem"]
        assert (found["status"], found["code"]) == (413, "unpacks_too_far")
        assert peak < 60_000_000, "it unpacks to 120 MB or more"


async def test_lines_are_taken_in_bounded_memory(database_url: str) -> None:
    """Some 40 MB of lines, most of them refused, so that the answer is long as well."""
    async with running(database_url) as ledger:
        await commission(ledger, ["A"])
        good, bad = line("A", ENDED, 118_300), line("NOBODY", ENDED, 1)
        wide = bad + b" " * (4000 - len(bad)) + b"\n"

        async def body() -> AsyncIterator[bytes]:
            yield good + b"\n"
            for _ in range(500):
                yield wide * 20

        tracemalloc.start()
        try:
            answer = await post(ledger, body())
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert counts(answer.json()) == {"accepted": 1, "refused": 10_000}
        assert [each["line"] for each in answer.json()["items"]] == list(range(2, 10_002))
        assert peak < 16_000_000


async def test_what_stood_before_a_bad_end_is_taken(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A"])
        sent: Sequence[bytes] = [line("A", ENDED + timedelta(minutes=n), 118_201 + n) for n in range(50)]
        cut = packed(b"\n".join(sent) + b"\n", "gzip")[:-4]
        answer = await post(ledger, cut, LINES, "gzip")
        assert assert_problem(answer)["code"] == "content_encoding_malformed"
        assert (await ledger.spindle("A"))["count"] == 118_250
        assert counts(await taken(ledger, sent)) == {"duplicate": 50}
