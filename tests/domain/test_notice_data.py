"""What notices carry: whole up to 20 000 bytes, thin beyond, and never a whole of more than 64 000."""

import json
from typing import Any

import pytest

from service.domain.notice import NOTICE_TYPES, Notice, notice_id, webhook_body
from service.domain.notice_data import (
    NOTICE_DATA,
    SENT_BYTES_MAX,
    WHOLE_BYTES_MAX,
    EndpointDisabled,
    LotSuspect,
    SpindleInDoubt,
    address_of,
    bodies_of,
    fitted,
)
from tests.domain.test_notice import NOON


def told(data: Any, notice_type: str = "endpoint.disabled") -> Notice:
    return Notice(id=notice_id(notice_type, "x", 1), type=notice_type, subject="lots/L-1", time=NOON, data=data)


def disabled(size: int) -> Notice:
    """A notice whose whole body has exactly so many bytes."""
    bare = len(webhook_body(told(EndpointDisabled(endpoint="whe_1", reason=""))))
    return told(EndpointDisabled(endpoint="whe_1", reason="r" * (size - bare)))


def spindle(key: str) -> SpindleInDoubt:
    return SpindleInDoubt(
        spindle=key,
        plant="skerrow",
        machine=None,
        health=None,
        clearance="withheld",
        checks=(),
        last_proof={"setting": None},
        changed=(),
        verdicts_changed=0,
    )


def recalled(count: int, of: int, *, reason: str = "hardness", key_length: int = 8) -> Notice:
    """A lot withdrawn from under so many spindles, of which the first `count` are listed."""
    data = LotSuspect(
        lot="L-1",
        withdrawal=2,
        reason=reason,
        entry="lots/L-1/2",
        judged_again=of,
        in_doubt=of,
        spindles=tuple(spindle(f"{number:0{key_length}d}") for number in range(count)),
        left_out=of - count,
        href="/v1/lots/L-1/reach",
        cautions=(),
    )
    return told(data, "lot.suspect")


def test_a_body_of_exactly_the_limit_is_sent_whole_and_one_byte_more_is_sent_thin() -> None:
    whole = bodies_of(disabled(SENT_BYTES_MAX))
    assert (len(whole.sent), whole.whole) == (20_000, None)
    notice = disabled(SENT_BYTES_MAX + 1)
    thin = bodies_of(notice)
    assert thin.whole == webhook_body(notice)
    assert len(thin.whole) == 20_001
    body = json.loads(thin.sent)
    assert body["data"] == {"href": f"/v1/notices/{notice.id}"}
    assert {name: body[name] for name in body if name != "data"} == {
        name: value for name, value in json.loads(thin.whole).items() if name != "data"
    }


def test_thin_keeps_what_identifies_the_recall_and_its_counts() -> None:
    notice = recalled(200, 200)
    assert json.loads(bodies_of(notice).sent)["data"] == {
        "href": address_of(notice.id),
        "lot": "L-1",
        "withdrawal": 2,
        "entry": "lots/L-1/2",
        "judged_again": 200,
        "in_doubt": 200,
    }


def test_what_fits_exactly_is_listed_and_with_one_byte_more_the_last_is_left_out() -> None:
    of = 500
    most = fitted(lambda count: recalled(count, of), of)
    listed = len(most.data.spindles)
    room = WHOLE_BYTES_MAX - len(webhook_body(most))
    assert 0 <= room < len(webhook_body(recalled(listed + 1, of))) - len(webhook_body(most))

    def exactly(more: int) -> Notice:
        return fitted(lambda count: recalled(count, of, reason="hardness" + "r" * (room + more)), of)

    assert len(webhook_body(exactly(0))) == 64_000
    assert (len(exactly(0).data.spindles), exactly(0).data.left_out) == (listed, of - listed)
    assert (len(exactly(1).data.spindles), exactly(1).data.left_out) == (listed - 1, of - listed + 1)


@pytest.mark.parametrize("of", [0, 1, 10_000])
def test_a_recall_of_any_size_fits(of: int) -> None:
    notice = fitted(lambda count: recalled(count, of, key_length=64), of)
    assert len(webhook_body(notice)) <= WHOLE_BYTES_MAX
    assert len(bodies_of(notice).sent) <= SENT_BYTES_MAX
    assert len(notice.data.spindles) + notice.data.left_out == of


def test_every_type_has_its_data() -> None:
    assert set(NOTICE_TYPES) == set(NOTICE_DATA)
    assert [name for name in NOTICE_TYPES if name in NOTICE_DATA] == sorted(NOTICE_DATA, key=NOTICE_TYPES.index)
