"""Notices: ids that follow from their cause, and a body that two standards read alike."""

import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_http_event

from service.domain.notice import NOTICE_TYPES, Notice, episode_id, notice_id, webhook_body

NOON = datetime(2026, 3, 2, 12, 0, 0, 250_000, tzinfo=UTC)


def due(**changes: Any) -> Notice:
    values: dict[str, Any] = {
        "id": notice_id("recheck.due", "epi_x", 41),
        "type": "recheck.due",
        "subject": "spindles/H2-M04-S1",
        "spindle": "H2-M04-S1",
        "plant": "skerrow",
        "time": NOON,
        "data": {"recheck": "after-rebuild", "due_at_count": 118_704},
    }
    return Notice(**{**values, **changes})


def test_the_same_cause_gives_the_same_id_and_any_other_another() -> None:
    first = notice_id("recheck.due", "epi_x", 41)
    assert first == notice_id("recheck.due", "epi_x", 41)
    others = {
        notice_id("recheck.overdue", "epi_x", 41),
        notice_id("recheck.due", "epi_y", 41),
        notice_id("recheck.due", "epi_x", 42),
        notice_id("recheck.due", "epi_x", "41"),
        notice_id("recheck.due", "epi_x", NOON),
        notice_id("recheck.du", "eepi_x", 41),
    }
    assert len(others) == 6
    assert first not in others


def test_ids_are_pinned_so_that_no_release_announces_anything_again() -> None:
    assert notice_id("recheck.due", "epi_x", 41) == "ntc_r5lzzb35eomhexpx47q527gpjwftgrn6"
    assert episode_id("spindles/H2-M04-S1", "after-rebuild", 7) == "epi_5dujdsehkinlk4mk44765gys25sgjujy"


def test_the_instant_counts_not_its_offset() -> None:
    elsewhere = NOON.astimezone(timezone(timedelta(hours=1)))
    assert notice_id("counter.silent", "spindles/a", NOON) == notice_id("counter.silent", "spindles/a", elsewhere)


def test_a_time_without_an_offset_is_refused() -> None:
    with pytest.raises(ValueError, match="offset"):
        notice_id("counter.silent", "spindles/a", NOON.replace(tzinfo=None))
    with pytest.raises(ValueError, match="offset"):
        due(time=NOON.replace(tzinfo=None))


def test_an_episode_is_its_subject_code_and_anchor() -> None:
    ids = {episode_id(subject, code, at) for subject in ("a", "b") for code in ("c", "d") for at in (1, 2)}
    assert len(ids) == 8


def test_a_type_outside_the_list_is_no_notice() -> None:
    with pytest.raises(ValueError, match=r"recheck\.forgotten"):
        due(type="recheck.forgotten")


@pytest.mark.parametrize("notice_type", NOTICE_TYPES)
def test_the_body_is_a_cloud_event(notice_type: str) -> None:
    """CloudEvents 1.0, structured mode, read by the SDK."""
    notice = due(type=notice_type)
    event = from_http_event(
        HTTPMessage(headers={"content-type": "application/cloudevents+json"}, body=webhook_body(notice))
    )
    assert event.get_id() == notice.id
    assert event.get_type() == notice_type
    assert event.get_subject() == "spindles/H2-M04-S1"
    assert event.get_time() == NOON
    assert event.get_data() == notice.data


def test_the_body_is_a_standard_webhooks_payload() -> None:
    """Standard Webhooks 1.0, "Payload structure": type, timestamp, data."""
    body = json.loads(webhook_body(due()))
    assert (body["type"], body["timestamp"]) == ("recheck.due", "2026-03-02T12:00:00.250000Z")
    assert body["data"]["due_at_count"] == 118_704
    assert body["time"] == body["timestamp"]
