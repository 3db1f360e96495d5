"""Spindles at the invented Skerrow works whose clamping sets are replaced at stated counts, told as events."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from tests.running import Json
from tests.story.day_one import ENDED, event, story

SHEET: Final = "SKERROW-A"
BEGUN: Final = ENDED - timedelta(days=300)
START: Final = 5_000
Rebuild = tuple[int, str]
"""The cycles that the set before it ran, and the reason."""


def sheet(code: str = SHEET) -> Json:
    first = story()["01"]
    data = first["data"] | {"valid_from": (BEGUN - timedelta(days=1)).isoformat()}
    return first | {"subject": f"sheets/{code}", "id": f"sheet {code}", "data": data}


def commissioned(key: str, *, plant: str = "skerrow", code: str = SHEET, baseline: Json | None = None) -> Json:
    data: Json = {
        "serial": f"SKP-{key}",
        "plant": plant,
        "hall": "1",
        "machine": f"M-{key}",
        "position": "1",
        "sheet": code,
        "counter": {"start": START, "max_per_second": 10},
    }
    return event("spindle.commissioned", BEGUN, data | ({} if baseline is None else {"baseline": baseline}), key=key)


def rebuilt(at: datetime, count: int, reason: str, *, key: str) -> Json:
    return event("clamping_set.replaced", at, {"reason": reason, "count": count}, key=key)


def spindle(key: str, rebuilds: Iterable[Rebuild], running: int, *, plant: str = "skerrow") -> list[Json]:
    """Commissioned, rebuilt at once, then one rebuild after another, ten days apart; the last set has run on."""
    count, at = START, BEGUN + timedelta(hours=1)
    told = [commissioned(key, plant=plant), rebuilt(at, count, "preventive", key=key)]
    for cycles, reason in rebuilds:
        count, at = count + cycles, at + timedelta(days=10)
        told.append(rebuilt(at, count, reason, key=key))
    return [*told, event("counter.read", at + timedelta(days=10), {"count": count + running}, key=key)]
