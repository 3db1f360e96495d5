"""Notices: what is told to other systems, under an id that its cause gives it, in one body for two standards.

A body is at once a CloudEvents 1.0 event in structured JSON (section 3.1, context attributes; `timestamp` and
`sequence` are extension attributes, the latter a text that sorts as its number does) and a Standard Webhooks 1.0
payload (`type`, `timestamp`, `data`).
"""

from base64 import b32encode
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any, Final

import msgspec
from msgspec import Struct

NOTICE_TYPES: Final = (
    "recheck.opened",
    "recheck.due",
    "recheck.overdue",
    "recheck.satisfied",
    "recheck.superseded",
    "setting.rejected",
    "draw_force.low",
    "draw_force.stepped",
    "spindle.health_changed",
    "gauge.suspect",
    "lot.suspect",
    "counter.backward",
    "counter.silent",
    "work_order.changed",
    "endpoint.failing",
    "endpoint.disabled",
    "endpoint.ping",
)
"""Every type a notice can have; an endpoint subscribes to some of them or to all."""

SOURCE: Final = "/spindle-ledger"
"""The CloudEvents source of every notice; with the notice's id it is unique."""


class Notice(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something to tell. `time` is when it came true (aware), `data` is anything msgspec writes as a JSON object.

    `spindle` is the spindle's key where the notice is about one; `plant` is None where it is about no single plant,
    and then only endpoints that are not bound to plants are told. `sequence` is the place in its subject's stream that
    the notice speaks of, `health` the worst of what the spindle's is and, where it has changed, was: it decides whom
    it is worth telling.
    """

    id: str
    type: str
    subject: str
    time: datetime
    data: Any
    spindle: str | None = None
    plant: str | None = None
    sequence: int | None = None
    health: str | None = None

    def __post_init__(self) -> None:
        if self.type not in NOTICE_TYPES:
            raise ValueError(f"{self.type!r} is not a type of notice")
        if self.time.tzinfo is None:
            raise ValueError("the time of a notice needs an offset")


def _digest(prefix: str, *parts: object) -> str:
    """A prefix and 160 bits of SHA-256 over the parts as a JSON array, in lower-case base32 (RFC 4648)."""
    digest = sha256(msgspec.json.encode([prefix, *parts])).digest()[:20]
    return f"{prefix}_{b32encode(digest).decode('ascii').lower()}"


def episode_id(subject: str, code: str, anchor_sequence: int) -> str:
    """The stable id of one run of a recheck: its subject, its code, and the sequence of the anchor's original entry."""
    return _digest("epi", subject, code, anchor_sequence)


def notice_id(notice_type: str, about: str, cause: int | datetime | str) -> str:
    """The id of a notice, the same whoever derives it and however often.

    `about` is an episode or a subject. `cause` is the sequence of the entry that crossed, the limit's time where only
    time passed (aware; the instant counts, not its offset), or the id of what else caused it.
    """
    return _digest("ntc", notice_type, about, utc_text(cause) if isinstance(cause, datetime) else cause)


def webhook_body(notice: Notice) -> bytes:
    """The very bytes that are kept, signed and sent."""
    time = utc_text(notice.time)
    attributes = {
        "specversion": "1.0",
        "id": notice.id,
        "source": SOURCE,
        "type": notice.type,
        "subject": notice.subject,
        "time": time,
        "timestamp": time,
        "datacontenttype": "application/json",
    }
    if notice.sequence is not None:
        attributes["sequence"] = f"{notice.sequence:019d}"
    return msgspec.json.encode({**attributes, "data": notice.data})


def utc_text(time: datetime) -> str:
    """An instant as it is written in every body (RFC 3339, UTC)."""
    if time.tzinfo is None:
        raise ValueError("a time without an offset is no instant")
    return time.astimezone(UTC).isoformat().replace("+00:00", "Z")
