"""One invented spindle whose facts are folded as they are told: the teller of the tests of the fold."""

from datetime import UTC, datetime, timedelta
from typing import Any

from msgspec import structs

from service.domain.event import Fact
from service.domain.event.spindles import Counter
from service.domain.fold import View, replay, step, view
from service.domain.gauge import Gauge
from service.domain.recheck import Episode
from service.domain.spindle import SpindleState
from service.domain.step import References, Step
from tests.domain.skerrow import SHEET, fact, force_gauge, gauge, mm, q, sheet, without

START = datetime(2026, 1, 6, 6, tzinfo=UTC)
BED_IN: dict[str, Any] = {
    "code": "bed-in",
    "check": "setting",
    "after_cycles": 500,
    "since": "acceptance",
    "early_cycles": 50,
    "grace_cycles": 250,
}
FORCE_QUARTERLY: dict[str, Any] = {
    "code": "force-quarterly",
    "check": "draw_force",
    "after_cycles": 50_000,
    "after_days": 90,
    "since": "last_check",
    "repeat": True,
    "early_cycles": 5_000,
    "early_days": 14,
    "grace_cycles": 5_000,
    "grace_days": 14,
}
COUNTER: dict[str, Any] = {"start": 118_000, "modulus": 1_000_000}
PLACE = {"plant": "skerrow", "hall": "2", "machine": "H2-M04", "position": "1"}
LONG_CALIBRATED = {"expanded_uncertainty": mm("0.006"), "k": "2", "correction": mm("0"), "due": "2046-01-05"}


def day(days: float) -> datetime:
    return START + timedelta(days=days)


def recheck(code: str, check: str, since: str, **rule: Any) -> dict[str, Any]:
    return {"code": code, "check": check, "since": since} | rule


def gauges() -> dict[str, Gauge]:
    run_out = gauge("permitted_error", calibration=LONG_CALIBRATED, kind="run_out", resolution=q("0.1", "um"))
    return {"DG-03": gauge(calibration=LONG_CALIBRATED), "FG-01": force_gauge(), "RG-02": run_out}


class Spindle:
    """A spindle of the Skerrow sheet. Without a day, a fact happens a minute after the one before, a reading an hour.

    Members of the sheet are changed by name, or left out where they are None.
    """

    def __init__(
        self,
        *rechecks: dict[str, Any],
        counter: dict[str, Any] = COUNTER,
        baseline: dict[str, Any] | None = None,
        **changes: Any,
    ) -> None:
        absent = [name for name, value in changes.items() if value is None]
        stated = SHEET | {"rechecks": list(rechecks)} | changes
        self.known = References(sheets={"SKERROW-A": sheet(without(stated, *absent))}, gauges=gauges())
        self.folded: SpindleState | None = None
        self.facts: list[Fact] = []
        self.now = START - timedelta(minutes=1)
        data = {"serial": "SP-0412", "sheet": "SKERROW-A", "counter": counter} | PLACE
        self.tell("spindle.commissioned", data if baseline is None else data | {"baseline": baseline})

    @property
    def state(self) -> SpindleState:
        assert self.folded is not None
        return self.folded

    def tell(self, event_type: str, data: dict[str, Any], day_: float | None = None, held: int | None = None) -> Step:
        """Folds one fact in; `held` is the reading that the ledger says held then."""
        self.now = self.now + timedelta(minutes=1) if day_ is None else day(day_)
        told = fact(event_type, data, len(self.facts) + 1, self.now)
        told = structs.replace(told, reading=held_then(told, held))
        made = step(self.folded, "H2-M04-S1", told, self.known)
        self.facts.append(told)
        self.folded = made.state
        return made

    def tell_late(self, event_type: str, data: dict[str, Any], on: float) -> list[Step]:
        """Takes in a fact that happened before others: the whole history is folded again."""
        told = fact(event_type, data, len(self.facts) + 1, day(on))
        told = structs.replace(told, reading=held_then(told, None))
        self.facts.append(told)
        steps = list(
            replay("H2-M04-S1", sorted(self.facts, key=lambda each: (each.occurred, each.sequence)), self.known)
        )
        self.folded = steps[-1].state
        return steps

    def count(self, reading: int, on: float | None = None, held: int | None = None) -> Step:
        if on is None:
            self.now += timedelta(minutes=59)
        return self.tell("counter.read", {"count": reading}, on, held)

    def rebuild(self, on: float | None = None, **changes: Any) -> Step:
        data = {"segments_seated": 6, "o_ring_fitted": True, "reason": "worn"} | changes
        return self.tell("clamping_set.replaced", data, on)

    def adjust(self, on: float | None = None) -> Step:
        return self.tell("nose.adjusted", {"turn": q("24", "deg"), "direction": "out"}, on)

    def torque(self, newton_metres: str = "37", on: float | None = None, **changes: Any) -> Step:
        return self.tell("nose.torqued", {"torque": q(newton_metres, "N.m"), "how": "set"} | changes, on)

    def exercise(self, cycles: int = 3) -> Step:
        return self.tell("clamp.exercised", {"cycles": cycles})

    def measure(self, depth: str = "11.40", on: float | None = None, **changes: Any) -> Step:
        """Two opposed readings of the same depth; 11.35 to 11.45 conforms."""
        readings = [{"angle": q(angle, "deg"), "depth": mm(depth)} for angle in ("0", "180")]
        data = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"} | changes
        return self.tell("setting.measured", data, on)

    def pull(self, kilonewtons: str = "21", on: float | None = None, **changes: Any) -> Step:
        """Three pulls; from 16.5 conforms, below 18.5 warns."""
        pulls = [{"value": q(kilonewtons, "kN")}] * 3
        data = {"pulls": pulls, "gauge": "FG-01", "gauge_zeroed": True, "draw_bar": "clamped"} | changes
        return self.tell("draw_force.measured", data, on)

    def run_out(self, micrometres: str = "4", on: float | None = None, **changes: Any) -> Step:
        """At the taper bore; up to 6 conforms."""
        data = {"place": "taper_bore", "distance": mm("0"), "run_out": q(micrometres, "um"), "gauge": "RG-02"} | changes
        return self.tell("run_out.measured", data, on)

    def prepare(self) -> None:
        """Torqued and run in by hand."""
        self.torque()
        self.exercise()

    def accept(self, on: float | None = None) -> Step:
        """Rebuilt, torqued, run in and measured conforming."""
        self.rebuild(on)
        self.prepare()
        return self.measure()

    def see(self, on: float | None = None, newest: tuple[int, datetime] | None = None) -> View:
        return view(self.state, self.now if on is None else day(on), newest)

    def episode(self, code: str, on: float | None = None) -> Episode:
        """The recheck of that code that runs, else the newest closed one."""
        return [each for each in self.see(on).rechecks if each.code == code][-1]

    def is_(self, code: str, on: float | None = None) -> str:
        return self.episode(code, on).state

    def running(self) -> set[str]:
        return {each.code for each in self.state.rechecks if each.state not in ("satisfied", "superseded")}

    def reasons(self, on: float | None = None) -> list[str]:
        return [reason.code for reason in self.see(on).assessment.reasons]


def accepted(*rechecks: dict[str, Any], **changes: Any) -> Spindle:
    """A spindle rebuilt and accepted at count 118 204."""
    spindle = Spindle(*rechecks, **changes)
    spindle.count(118_204, on=1)
    spindle.accept()
    return spindle


def held_then(told: Fact, held: int | None) -> int | None:
    """The reading as the ledger stores it beside a fact: its own where it carries one."""
    read = getattr(told.data, "count", None)
    begun = getattr(told.data, "counter", None)
    if isinstance(begun, Counter):
        return begun.start
    return held if held is not None else read if read is not None else getattr(told.data, "new_start", None)
