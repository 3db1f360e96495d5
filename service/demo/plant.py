"""The Skerrow Pump Works as a plant that is made up: a year of spindles with hidden truth, told as events and readings.

Invented, like every number in it, and the same for the same seed. What is yielded is what a plant would send; the truth
behind it (true counts, due times, broken springs, wear, lives of sets) is beside it, for tests and reports only.
"""

import heapq
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal, TypeAlias

import numpy as np
from msgspec import Struct

from service.demo import scenario
from service.demo.plant_use import ShownCount, Use, calendar, machine_down, shift_of, shown_by, use_of, wander
from service.demo.plant_wear import LIMIT_MM, MINIMUM_N, NOMINAL_MM, RECHECKS, WARNING_N, Truth, Upkeep

SOURCE: Final = "/skerrow/plant"
COUNTERS: Final = "/skerrow/mes"
SHEETS: Final = ("SKERROW-P", "SKERROW-Q", "SKERROW-R")
BEGIN: Final = datetime(2025, 1, 6, tzinfo=UTC)
"""A Monday."""
_BEFORE: Final = timedelta(days=7)

Told: TypeAlias = tuple[Literal["event", "readings"], dict[str, Any]]
"""An event for `POST /v1/events`, or a body for `POST /v1/counter-readings`."""


class MadeSpindle(Struct, frozen=True, kw_only=True):
    """One spindle: what it is called and where it is, its events, and what is hidden of it."""

    key: str
    hall: str
    machine: str
    position: str
    sheet: str
    shown: ShownCount
    events: tuple[dict[str, Any], ...]
    truth: Truth

    @property
    def use(self) -> Use:
        return self.shown.use


class Plant(Struct, frozen=True, kw_only=True):
    """A year of the plant: `every` is how often counters are read."""

    seed: int
    begin: datetime
    end: datetime
    every: timedelta
    references: tuple[dict[str, Any], ...]
    spindles: tuple[MadeSpindle, ...]

    def events(self) -> Iterator[dict[str, Any]]:
        """Every event, in the order of time."""
        streams = (self.references, *(each.events for each in self.spindles))
        return heapq.merge(*streams, key=lambda event: str(event["time"]))

    def readings(self) -> Iterator[dict[str, Any]]:
        """Every bulk reading of the counters, in the order of time; a counter that is silent is left out."""
        time = self.begin + self.every
        while time <= self.end:
            found = {each.key: each.shown.at(time) for each in self.spindles if each.shown.says(time)}
            yield {"source": COUNTERS, "time": time.isoformat(), "readings": found}
            time += self.every

    def story(self) -> Iterator[Told]:
        """Both, in the order of time: what happened goes before a reading at the same moment."""
        events: Iterator[Told] = (("event", each) for each in self.events())
        readings: Iterator[Told] = (("readings", each) for each in self.readings())
        return heapq.merge(events, readings, key=lambda told: str(told[1]["time"]))


def make_plant(
    seed: int,
    *,
    spindles: int = 200,
    weeks: int = 52,
    begin: datetime = BEGIN,
    every: timedelta = timedelta(hours=1),
    halls: int = 4,
    utc_offset: int = 0,
) -> Plant:
    """The plant of a seed. `begin` is a midnight, UTC; there are two spindles a machine."""
    random = np.random.default_rng(seed)
    end = begin + timedelta(weeks=weeks)
    when = calendar(random, begin, weeks, utc_offset=utc_offset)
    shifts = [shift_of(random) for _ in range(halls)]
    levels = [wander(random, weeks, 0.12, 0.6) for _ in range(halls)]
    made: list[MadeSpindle] = []
    down = machine_down(random, when.hours)
    for number in range(spindles):
        hall, machine = number % halls, number // halls // 2
        if number // halls % 2 == 0:
            down = machine_down(random, when.hours)
        use = use_of(random, when, shifts[hall], levels[hall], down)
        shown = shown_by(random, use, weeks)
        where = (f"H{hall + 1}-M{machine + 1:02}", str(number // halls % 2 + 1), f"{hall + 1}")
        made.append(_spindle(random, number, where, shown, begin, end))
    return Plant(
        seed=seed,
        begin=begin,
        end=end,
        every=every,
        references=tuple(sorted(_references(begin), key=lambda event: str(event["time"]))),
        spindles=tuple(made),
    )


def _event(name: str, kind: str, subject: str, time: datetime, actor: str, data: dict[str, Any]) -> dict[str, Any]:
    return {
        "specversion": "1.0",
        "id": name,
        "source": SOURCE,
        "type": kind,
        "subject": subject,
        "time": time.isoformat(timespec="microseconds"),
        "actor": actor,
        "data": data,
    }


def _references(begin: datetime) -> Iterator[dict[str, Any]]:
    """Three sheets, a depth gauge and a force gauge for each hall, and lots of kits."""
    before = begin - _BEFORE
    for code in SHEETS:
        data = {**scenario.sheet(before), "rechecks": RECHECKS, "accept_with": ["setting"], **_forces()}
        yield _event(f"sheet-{code}", "sheet.issued", f"sheets/{code}", before, scenario.ENGINEER, data)
    for kind, registered, uncertainty in (
        ("depth", scenario.GAUGE, scenario.mm("0.006")),
        ("force", _FORCE_GAUGE, {"value": "100", "unit": "N"}),
    ):
        key = f"SKP-{kind}"
        yield _event(f"gauge-{key}", "gauge.registered", f"gauges/{key}", before, scenario.ENGINEER, registered)
        due = (begin + timedelta(days=400)).date().isoformat()
        certificate = {"expanded_uncertainty": uncertainty, "k": "2", "due": due, "certificate": "invented"}
        time = before + timedelta(hours=1)
        yield _event(f"cert-{key}", "gauge.calibrated", f"gauges/{key}", time, scenario.ENGINEER, certificate)


_FORCE_GAUGE: Final[dict[str, Any]] = {
    "kind": "force",
    "resolution": {"value": "100", "unit": "N"},
    "repeatability": {"value": "120", "unit": "N"},
    "permitted_error": {"value": "300", "unit": "N"},
    "zeroing": {"included": True},
}


def _forces() -> dict[str, Any]:
    limits = {"nominal": 21_000, "warning": WARNING_N, "minimum": MINIMUM_N}
    force = {name: {"value": str(value), "unit": "N"} for name, value in limits.items()}
    stack = {
        **{name: scenario.mm(value) for name, value in (("De", "40"), ("Di", "20.4"), ("t", "2.5"), ("h0", "1"))},
        "parallel": 2,
        "series": 30,
    }
    depth = {
        "quantity": "depth",
        "nominal": scenario.mm(f"{NOMINAL_MM:.2f}"),
        "lower": scenario.mm(f"{-LIMIT_MM:.2f}"),
        "upper": scenario.mm(f"{LIMIT_MM:.2f}"),
    }
    pulls = {"pulls": 3, "discard_first": True, "judge": "mean"}
    return {"draw_force": {**force, **pulls}, "spring_stack": stack, "setting_depth": depth}


def _spindle(
    random: np.random.Generator,
    number: int,
    where: tuple[str, str, str],
    shown: ShownCount,
    begin: datetime,
    end: datetime,
) -> MadeSpindle:
    machine, position, hall = where
    key, sheet = f"SK-{number:04}", SHEETS[number % len(SHEETS)]
    gauges = {"depth": ("SKP-depth", 0.001), "force": ("SKP-force", 50.0)}
    upkeep = Upkeep(random, shown, gauges)
    began = begin + timedelta(minutes=int(random.integers(1, 600)))
    counter: dict[str, Any] = {"start": shown.start, "cycles_per_count": 1, "counts": "tool_changes"}
    if shown.modulus is not None:
        counter["modulus"] = shown.modulus
    commissioned = {
        "serial": f"SKP-{number:05}",
        "plant": "skerrow",
        "hall": hall,
        "machine": machine,
        "position": position,
        "sheet": sheet,
        "counter": counter,
    }
    told: list[tuple[str, datetime, dict[str, Any]]] = [("spindle.commissioned", begin, commissioned)]
    for act in upkeep.run(began, end):
        count: dict[str, Any] = {"count": shown.at(act.time)} if shown.says(act.time) else {}
        told.append((act.type, act.time, {**act.data, **count}))
    for each in shown.exchanges:
        data = {"old_end": each.old_end, "new_start": each.new_start, "reason": "invented"}
        told.append(("counter.replaced", each.time, data))
    told.sort(key=lambda each: each[1])
    events = tuple(
        _event(f"{key}-{place:04}", kind, f"spindles/{key}", time, scenario.FITTER, data)
        for place, (kind, time, data) in enumerate(told)
    )
    return MadeSpindle(
        key=key,
        hall=hall,
        machine=machine,
        position=position,
        sheet=sheet,
        shown=shown,
        events=events,
        truth=upkeep.truth(end),
    )
