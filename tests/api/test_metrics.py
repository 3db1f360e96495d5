"""What /metrics answers: what this application did and no other, by route and not by address; and the log."""

import json
import logging
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.environment import EnvironmentWrong, read_environment
from tests.running import Running, running, select
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, story

PROJECT = Path(__file__).parents[2]


async def metrics(ledger: Running) -> dict[tuple[str, ...], float]:
    """Every sample by its name (without the prefix) and the values of its labels."""
    answer = await ledger.client.get("/metrics", headers={"Authorization": ""})
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain; version=")
    return {
        (sample.name.removeprefix("spindle_ledger_"), *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


async def test_requests_are_counted_by_route_method_and_status(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all([story()[number] for number in ("01", "02", "03", "04")])
        await ledger.record(story()["04"])
        for key in (SPINDLE, "unknown", SPINDLE):
            await ledger.client.get(f"/v1/spindles/{key}")
        for path in ("/v1/a", "/v1/b"):
            await ledger.client.get(path)
        await ledger.client.get("/v1/events", headers={"Authorization": ""})
        await ledger.client.request("BREW", "/v1/events")
        found = await metrics(ledger)
        requests = {labels[1:]: value for labels, value in found.items() if labels[0] == "http_requests_total"}
        assert requests == {
            ("POST", "/v1/events", "201"): 4,
            ("POST", "/v1/events", "200"): 1,
            ("GET", "/v1/events", "401"): 1,
            ("GET", "/v1/spindles/{spindle}", "200"): 2,
            ("GET", "/v1/spindles/{spindle}", "404"): 1,
            ("GET", "unmatched", "404"): 2,
            ("other", "unmatched", "405"): 1,
        }
        assert found["http_request_seconds_count", "POST", "/v1/events"] == 5
        assert 0 < found["http_request_seconds_sum", "POST", "/v1/events"] < 60


async def test_what_was_committed_is_counted_by_kind_and_what_was_refused_is_not(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        assert (await ledger.send(event("clamp.exercised", ENDED, {"cycles": 1}, key="unknown"))).status_code == 422
        at = ENDED + timedelta(minutes=10)
        await ledger.record(counter_read(at, 118_300))
        for minutes, count in ((1, 118_310), (1, 118_310), (1, 118_311), (2, 118_310)):
            await ledger.read_counters(at + timedelta(minutes=minutes), {SPINDLE: count, "unknown": 1})
        found = await metrics(ledger)
        entries = {labels[1]: value for labels, value in found.items() if labels[0] == "entries_total"}
        rows = await select(database_url, "SELECT type, count(*) AS entries FROM ledger.entry GROUP BY type")
        assert entries == {row["type"]: row["entries"] for row in rows} | {"reading": 1}
        assert sum(entries.values()) == sum(value for labels, value in found.items() if labels[0] == "log_position")
        readings = {labels[1]: value for labels, value in found.items() if labels[0] == "bulk_readings_total"}
        assert readings == {"accepted": 1, "unchanged": 1, "duplicate": 1, "late": 0, "refused": 5}
        notices = {labels[1]: value for labels, value in found.items() if labels[0] == "notices_total"}
        rows = await select(database_url, "SELECT type, count(*) AS notices FROM kept.notice GROUP BY type")
        assert notices == {row["type"]: row["notices"] for row in rows}


async def test_how_things_stand(database_url: str) -> None:
    async with running(database_url) as ledger:
        endpoint = (await ledger.client.post("/v1/webhook-endpoints", json={"url": "https://192.0.43.10/hook"})).json()
        await ledger.record_all([story()[number] for number in ("01", "02", "03", "04")])
        await ledger.record(story(key="W1")["04"])
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="W1"))
        await ledger.client.post(f"/v1/webhook-endpoints/{endpoint['id']}/ping")
        before = await metrics(ledger)
        assert (before["spindles", "function_check"], before["spindles", "store"]) == (1, 1)
        assert (before["settle_lag_seconds",], before["spindles_to_settle",]) == (0, 0)
        assert before["notices_total", "endpoint.ping"] == 1
        assert before["deliveries_waiting",] == before["deliveries_due",] >= 1
        assert (before["readings_outside_weeks",], before["database_up",]) == (0, 1)
        assert before["pool_connections", "in_use"] + before["pool_connections", "idle"] >= 1
        assert before["pool_connections_max",] == 10
        await ledger.record(
            story()["02"] | {"id": "calibrated again", "type": "gauge.withdrawn", "data": {"reason": "x"}}
        )
        await select(
            database_url, "UPDATE derived.spindle SET next_look = now() - interval '90 seconds' WHERE key = $1", SPINDLE
        )
        await select(database_url, "INSERT INTO ledger.reading VALUES (1,1,now(),'2000-01-01',1,1,1,1,15,2,'')")
        after = await metrics(ledger)
        assert 90 <= after["settle_lag_seconds",] < 150
        assert after["readings_outside_weeks",] == 1


async def test_two_applications_in_one_process_count_apart(database_url: str, another_database_url: str) -> None:
    async with running(database_url) as one, running(another_database_url) as other:
        await one.record(story()["01"])
        assert (await metrics(one))["entries_total", "sheet.issued"] == 1
        assert ("entries_total", "sheet.issued") not in await metrics(other)


async def test_without_a_database_the_process_still_answers(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record(story()["01"])
        await ledger.database.close()
        found = await metrics(ledger)
        assert found["database_up",] == 0
        assert found["entries_total", "sheet.issued"] == 1


async def test_a_request_is_one_line_without_address_body_or_secret(
    database_url: str, caplog: pytest.LogCaptureFixture
) -> None:
    async with running(database_url) as ledger:
        await ledger.client.get("/v1/spindles/quiet")
        assert [record for record in caplog.records if record.name == "service.requests"] == []
        with caplog.at_level(logging.INFO, logger="service.requests"):
            await ledger.client.get("/v1/spindles/H2-SECRET", params={"colour": "red"})
            await ledger.client.get("/livez")
        lines = [vars(record)["fields"] for record in caplog.records if record.name == "service.requests"]
        assert [line.pop("ms") > 0 for line in lines] == [True, True]
        assert lines == [
            {"method": "GET", "route": "/v1/spindles/{spindle}", "status": 400, "key": 1},
            {"method": "GET", "route": "/livez", "status": 200, "key": None},
        ]


_TELL = """
import logging
from service import logs
logs.set_up({form!r})
logging.getLogger("service.requests").info("request", extra={{"fields": {{"route": "/v1/ö", "ms": 1.5, "key": None}}}})
logging.getLogger("service.other").info("never told")
try:
    raise ValueError("why")
except ValueError:
    logging.getLogger("service.other").exception("failed")
"""


def told(form: Any) -> list[str]:
    program = [sys.executable, "-c", _TELL.format(form=form)]
    return subprocess.run(program, cwd=PROJECT, capture_output=True, text=True, check=True).stderr.splitlines()


def test_the_log_as_json_as_text_and_quiet() -> None:
    request, failed = [json.loads(line) for line in told("json")]
    assert request.pop("time").endswith("+00:00")
    wanted = {"level": "info", "logger": "service.requests", "message": "request"}
    assert request == wanted | {"route": "/v1/ö", "ms": 1.5, "key": None}
    assert "ValueError: why" in failed["exception"]
    assert told("text")[0].endswith(" INFO service.requests: request route=/v1/ö ms=1.5 key=None")
    assert "failed" in told(None)[0]


def test_the_environment_says_how_to_log() -> None:
    assert read_environment({}).log is None
    assert read_environment({"SPINDLE_LEDGER_LOG": "json"}).log == "json"
    with pytest.raises(EnvironmentWrong, match="SPINDLE_LEDGER_LOG is json or text"):
        read_environment({"SPINDLE_LEDGER_LOG": "xml"})


async def test_the_document_says_that_metrics_need_no_key(database_url: str) -> None:
    async with running(database_url) as ledger:
        document = (await ledger.client.get("/openapi.json")).json()
        assert "security" not in document["paths"]["/metrics"]["get"]
