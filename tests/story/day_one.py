"""Day one at the invented Skerrow works, moved by whole days so that it ended yesterday, and what may follow it."""

import json
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, Final

from tests.running import Json

SPINDLE: Final = "H2-M04-S1"
ACCEPTED_AT: Final = 118_210
_LINES: Final = (Path(__file__).parent / "day_one.ndjson").read_text("utf-8").splitlines()
_LAST_DAY: Final = date(2026, 3, 2)
MOVED: Final = datetime.now(UTC).date() - timedelta(days=1) - _LAST_DAY
"""The story's days are moved by so much."""
ENDED: Final = datetime.combine(_LAST_DAY, time(6, 8), UTC) + MOVED
"""When day-one-13 happened."""


def mm(value: str) -> Json:
    return {"value": value, "unit": "mm"}


def q(value: str, unit: str) -> Json:
    return {"value": value, "unit": unit}


def moved(text: str, by: timedelta = MOVED) -> str:
    """A time or a day of the example, moved."""
    if len(text) == 10:
        return (date.fromisoformat(text) + by).isoformat()
    return (datetime.fromisoformat(text.replace("Z", "+00:00")) + by).isoformat().replace("+00:00", "Z")


def story(*, key: str = SPINDLE, by: timedelta = MOVED, suffix: str = "") -> dict[str, Json]:
    """Every event by the number it has in the example ("01" to "13"), to be changed at will."""
    events = {}
    for line in _LINES:
        event: Json = json.loads(line)
        event["time"] = moved(event["time"], by)
        for name in ("valid_from", "due"):
            if name in event["data"]:
                event["data"][name] = moved(event["data"][name], by)
        if event["type"] == "spindle.commissioned":
            event["data"]["machine"] = f"M-{key}"
        number = event["id"].removeprefix("day-one-")
        if event["subject"] == f"spindles/{SPINDLE}":
            event["subject"] = f"spindles/{key}"
            event["id"] += suffix or ("" if key == SPINDLE else f" {key}")
        events[number] = event
    return events


def without(events: dict[str, Json], *numbers: str) -> list[Json]:
    return [event for number, event in events.items() if number not in numbers]


def event(event_type: str, at: datetime, data: Json, *, key: str = SPINDLE, **changes: Any) -> Json:
    """An event of a spindle; its id follows from type, spindle and time."""
    return {
        "specversion": "1.0",
        "id": f"{event_type} {key} {at.isoformat()}",
        "source": "/skerrow/hall-2/tablet-7",
        "type": event_type,
        "subject": f"spindles/{key}",
        "time": at.isoformat(),
        "actor": "k.m.",
        "data": data,
    } | changes


def counter_read(at: datetime, count: int, *, key: str = SPINDLE, **changes: Any) -> Json:
    return event("counter.read", at, {"count": count}, key=key, **changes)


def measured(at: datetime, first: str, second: str, *, key: str = SPINDLE, **data: Any) -> Json:
    """Two opposed readings in millimetres."""
    readings = [{"angle": q(angle, "deg"), "depth": mm(depth)} for angle, depth in (("0", first), ("180", second))]
    whole = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"} | data
    return event("setting.measured", at, whole, key=key)


def rebuild(begins: datetime, count: int, *, key: str = SPINDLE) -> list[Json]:
    """A rebuild that is accepted twenty minutes after it began, at `count`."""
    seated = {"lot": "L-2291", "segments_seated": 6, "o_ring_fitted": True, "reason": "worn"}
    torque = {"torque": q("37", "N.m"), "how": "set", "tool": "TW-11"}
    at = [begins + timedelta(minutes=minutes) for minutes in (0, 10, 12, 20)]
    return [
        event("clamping_set.replaced", at[0], seated, key=key),
        event("nose.torqued", at[1], torque, key=key),
        event("clamp.exercised", at[2], {"cycles": 3}, key=key),
        measured(at[3], "11.41", "11.39", key=key, count=count),
    ]
