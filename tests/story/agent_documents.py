"""Documents as an MTConnect agent makes them, invented: of any version, with any observations, whole or in part."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from msgspec import Struct

DEVICE: Final = "skerrow-h2-m04"
"""The uuid of the invented machine."""
SENT: Final = {"Content-Type": "application/xml"}


class Said(Struct, frozen=True, kw_only=True):
    """One observation. `more` are attributes besides those that every observation has."""

    sequence: int
    time: datetime
    item: str
    element: str
    value: str
    more: dict[str, str] = {}

    def xml(self, prefix: str = "") -> str:
        attributes = {
            "dataItemId": self.item,
            "sequence": str(self.sequence),
            "timestamp": stamp(self.time),
            **self.more,
        }
        written = " ".join(f"{name}={quoteattr(value)}" for name, value in attributes.items())
        return f"<{prefix}{self.element} {written}>{escape(self.value)}</{prefix}{self.element}>"


def stamp(time: datetime) -> str:
    return time.astimezone(UTC).isoformat().replace("+00:00", "Z")


def document(
    said: Sequence[Said],
    *,
    instance: int = 1_790_000_000,
    version: str = "2.0",
    device: str = DEVICE,
    next: int | None = None,
    first: int = 1,
    made: datetime | None = None,
    prefix: str = "",
) -> bytes:
    """A Streams document; its header's times and sequences follow from what it holds unless they are given."""
    last = max((each.sequence for each in said), default=0)
    following = last + 1 if next is None else next
    created = made or max((each.time for each in said), default=datetime(2026, 1, 1, tzinfo=UTC))
    mark = f":{prefix}" if prefix else ""
    dot = f"{prefix}:" if prefix else ""
    events = "".join(each.xml(dot) for each in said)
    inside = f"<{dot}Events>{events}</{dot}Events>" if said else ""
    changed = f' deviceModelChangeTime="{stamp(created)}"' if version >= "1.7" else ""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<{dot}MTConnectStreams xmlns{mark}="urn:mtconnect.org:MTConnectStreams:{version}">\n'
        f'  <{dot}Header creationTime="{stamp(created)}" sender="skerrow-agent" instanceId="{instance}" '
        f'version="{version}.0.1" bufferSize="131072" nextSequence="{following}" firstSequence="{first}" '
        f'lastSequence="{following - 1}"{changed}/>\n'
        f'  <{dot}Streams><{dot}DeviceStream name="M04" uuid="{device}">'
        f'<{dot}ComponentStream component="Chuck" name="S1" componentId="s1">{inside}</{dot}ComponentStream>'
        f"</{dot}DeviceStream></{dot}Streams>\n"
        f"</{dot}MTConnectStreams>\n"
    ).encode()


def series(
    element: str, item: str, values: Iterable[object], *, begin: datetime, first: int = 1, apart: float = 2.0
) -> list[Said]:
    """Observations of one data item, some seconds apart, with every third sequence: others lie between."""
    return [
        Said(
            sequence=first + 3 * number,
            time=begin + timedelta(seconds=apart * number),
            item=item,
            element=element,
            value=str(value),
        )
        for number, value in enumerate(values)
    ]


def error(code: str, text: str, *, version: str = "2.0", instance: int = 1_790_000_000) -> bytes:
    return (
        f'<MTConnectError xmlns="urn:mtconnect.org:MTConnectError:{version}">'
        f'<Header creationTime="2026-03-02T05:00:00Z" sender="skerrow-agent" instanceId="{instance}" '
        f'version="{version}.0.1" bufferSize="131072"/>'
        f'<Errors><Error errorCode="{code}">{text}</Error></Errors></MTConnectError>'
    ).encode()
