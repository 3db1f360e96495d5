"""The Skerrow Pump Works, invented like every number here: one spindle, one gauge, one sheet, as events."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final

Event = dict[str, Any]

TABLET: Final = "/skerrow/hall-2/tablet-7"
ENGINEER: Final = "r.t. engineer"
FITTER: Final = "k.m. fitter"
START_COUNT: Final = 118_000
REBUILT_AT: Final = 118_204
ACCEPTED_AT: Final = 118_210
DUE_AFTER: Final = 500


def mm(value: str) -> Event:
    return {"value": value, "unit": "mm"}


def newton_metres(value: str) -> Event:
    return {"value": value, "unit": "N.m"}


class Clock:
    """The story's own time: minutes before it ends, so that it ends now."""

    def __init__(self, end: datetime) -> None:
        self._end = end

    def before_end(self, *, days: float = 0, minutes: float = 0) -> datetime:
        return self._end - timedelta(days=days, minutes=minutes)


class Writer:
    """Makes events of one telling: an id of their own, the time in the story, who did it.

    `newest` is the identity of the event made last.
    """

    def __init__(self, telling: str) -> None:
        self._telling, self._made = telling, 0
        self.newest: Event = {}

    def event(self, event_type: str, subject: str, time: datetime, actor: str, data: Mapping[str, Any]) -> Event:
        self._made += 1
        self.newest = {"source": TABLET, "id": f"{self._telling}-{self._made:02}"}
        return {
            "specversion": "1.0",
            **self.newest,
            "type": event_type,
            "subject": subject,
            "time": time.isoformat(),
            "actor": actor,
            "data": data,
        }


def sheet(valid_from: datetime) -> Event:
    """The setting sheet of the invented spindle type."""
    return {
        "revision": 1,
        "valid_from": valid_from.isoformat(),
        "interface": "HSK-A63",
        "setting_depth": {"quantity": "depth", "nominal": mm("11.40"), "lower": mm("-0.05"), "upper": mm("0.05")},
        "adjust": {
            "by": "thread",
            "pitch": mm("1.5"),
            "starts": 1,
            "hand": "right",
            "turning_in": "increases_depth",
        },
        "reading_spread_max": mm("0.06"),
        "nose_torque": {
            "nominal": newton_metres("37"),
            "minimum": newton_metres("35"),
            "maximum": newton_metres("39"),
        },
        "gripper_segments": 6,
        "run_in_cycles": 3,
        "kit": [
            {"part": "gripper segment", "quantity": 6},
            {"part": "spring sleeve", "quantity": 1},
            {"part": "o-ring", "quantity": 1},
            {"part": "nose", "quantity": 1},
        ],
        "decision_rule": {"name": "simple", "edition": "JCGM 106:2012", "uncertainty_max": mm("0.0125")},
        "accept_with": ["setting"],
        "rechecks": [
            {
                "code": "bed-in",
                "check": "setting",
                "after_cycles": DUE_AFTER,
                "since": "acceptance",
                "early_cycles": 50,
                "grace_cycles": 250,
            }
        ],
        "reference": "invented for the Skerrow Pump Works",
    }


GAUGE: Final[Event] = {
    "kind": "depth",
    "resolution": mm("0.01"),
    "repeatability": mm("0.004"),
    "permitted_error": mm("0.01"),
    "zeroing": {"included": True},
}


def calibration(due: datetime) -> Event:
    return {
        "expanded_uncertainty": mm("0.006"),
        "k": "2",
        "correction": mm("0"),
        "as_found": mm("0.001"),
        "as_left": mm("0"),
        "due": due.date().isoformat(),
        "certificate": "SKR-CAL-0117 (invented)",
    }


def found_out(due: datetime) -> Event:
    """A certificate of a gauge that was found far out, and adjusted."""
    return {**calibration(due), "as_found": mm("-0.06"), "as_left": mm("0"), "certificate": "SKR-CAL-0142 (invented)"}


def commissioning(position: str, sheet_code: str) -> Event:
    return {
        "serial": f"SP-041{position}",
        "plant": "skerrow",
        "hall": "2",
        "machine": "H2-M04",
        "position": position,
        "sheet": sheet_code,
        "counter": {"start": START_COUNT, "modulus": 1_000_000, "cycles_per_count": 1, "counts": "tool_changes"},
    }


REBUILD: Final[Event] = {
    "lot": "L-2291",
    "segments_seated": 6,
    "o_ring_fitted": True,
    "reason": "worn",
    "found": "two segments scored on the contact face",
    "count": REBUILT_AT,
}
TORQUE: Final[Event] = {"torque": newton_metres("37"), "how": "set", "tool": "TW-11"}
RUN_IN: Final[Event] = {"cycles": 3}


def measured(first: str, second: str, count: int | None = None) -> Event:
    """Two opposed readings with the zeroed gauge, draw bar released."""
    readings = [
        {"angle": {"value": angle, "unit": "deg"}, "depth": mm(depth)}
        for angle, depth in (("0", first), ("180", second))
    ]
    data: Event = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"}
    return data if count is None else {**data, "count": count}
