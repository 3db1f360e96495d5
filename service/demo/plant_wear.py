"""How the invented plant's clamping sets wear, what gauges say of it, what its fitters do; every number is invented.

A set beds in and drifts; its draw force falls slowly, more where the contact is dry, and by a step where a disc spring
breaks. Greasing brings back what dryness took; a rebuild brings back the rest, but for a spring that stays broken.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from msgspec import Struct

from service.demo.plant_use import ShownCount

NOMINAL_MM: Final = 11.40
LIMIT_MM: Final = 0.05
PITCH_MM: Final = 1.5
FORCE_N: Final = 21_000
WARNING_N: Final = 18_500
MINIMUM_N: Final = 16_500
SPRINGS: Final = 60
BED_IN, BED_IN_CYCLES = "bed-in", 500
SETTING, SETTING_DAYS = "setting-half-yearly", 182
FORCE, FORCE_CYCLES, FORCE_DAYS = "force-quarterly", 50_000, 90
GREASE, GREASE_CYCLES = "grease", 30_000
RECHECKS: Final[list[dict[str, Any]]] = [
    {"code": BED_IN, "check": "setting", "after_cycles": BED_IN_CYCLES, "since": "acceptance", "grace_cycles": 1500},
    {"code": SETTING, "check": "setting", "after_days": SETTING_DAYS, "since": "last_check", "repeat": True,
     "early_days": 14, "grace_days": 14},
    {"code": FORCE, "check": "draw_force", "after_cycles": FORCE_CYCLES, "after_days": FORCE_DAYS,
     "since": "last_check", "repeat": True, "early_cycles": 5000, "early_days": 14, "grace_cycles": 10_000,
     "grace_days": 14},
    {"code": GREASE, "check": "grease", "after_cycles": GREASE_CYCLES, "since": "last_check", "repeat": True,
     "early_cycles": 3000, "grace_cycles": 6000},
]  # fmt: skip


class Act(Struct, frozen=True, kw_only=True):
    """Something done at a spindle: the type and data of its event, without the counter."""

    time: datetime
    type: str
    data: dict[str, Any]


class Due(Struct, frozen=True, kw_only=True):
    """The hidden truth of a recheck: what it counted from, and when it fell due."""

    code: str
    anchor: datetime
    due_count: int | None
    due: datetime | None


class SpringBreak(Struct, frozen=True, kw_only=True):
    """One disc spring broke: when, at which count, and how much of the draw force it took, in N."""

    time: datetime
    count: int
    loss_n: float


class SetLife(Struct, frozen=True, kw_only=True):
    """One clamping set: cycles it ran, and whether it had failed when it was replaced (None: it still runs)."""

    cycles: int
    failed: bool | None
    reason: str | None


class Truth(Struct, frozen=True, kw_only=True):
    """What is hidden of one spindle. Wear: mm and N lost per 1000 cycles, and what dryness takes at most, in N."""

    drift_mm_per_1000: float
    bed_in_mm: float
    force_n_per_1000: float
    dry_n: float
    dues: tuple[Due, ...]
    breaks: tuple[SpringBreak, ...]
    lives: tuple[SetLife, ...]


def millimetres(value: float) -> dict[str, str]:
    return {"value": f"{value:.2f}", "unit": "mm"}


class Upkeep:
    """One spindle's year, told act by act. What it knows of wear is hidden from the ledger."""

    def __init__(self, random: np.random.Generator, shown: ShownCount, gauges: dict[str, tuple[str, float]]) -> None:
        self._random, self._shown, self._gauges = random, shown, gauges
        self._drift = random.lognormal(np.log(0.00025), 0.7)
        self._bed_in = random.uniform(0.005, 0.04)
        self._loss = random.lognormal(np.log(12), 0.6)
        self._dry = random.uniform(300, 1800)
        self._dry_in = random.uniform(15_000, 60_000)
        self._fitted = self._greased = 0
        self._nose = 0.0
        self._breaks: list[SpringBreak] = []
        self._broken_n = 0.0
        self._next_break = float(random.exponential(1_500_000))
        self._life = self._draw_life()
        self._dues: list[Due] = []
        self._lives: list[SetLife] = []

    def truth(self, end: datetime) -> Truth:
        """What was hidden, up to the end of the story."""
        running = SetLife(cycles=self._shown.use.at(end) - self._fitted, failed=None, reason=None)
        return Truth(
            drift_mm_per_1000=self._drift,
            bed_in_mm=self._bed_in,
            force_n_per_1000=self._loss,
            dry_n=self._dry,
            dues=tuple(self._dues),
            breaks=tuple(self._breaks),
            lives=(*self._lives, running),
        )

    def depth(self, cycles: int) -> float:
        """The true setting depth in mm after so many cycles of the story."""
        ran = cycles - self._fitted
        return float(NOMINAL_MM + self._nose - self._bed_in * (1 - np.exp(-ran / 250)) - self._drift * ran / 1000)

    def force(self, cycles: int) -> float:
        """The true draw force in N."""
        ran, dry = cycles - self._fitted, cycles - self._greased
        slow = self._loss * ran / 1000 + self._dry * (1 - np.exp(-dry / self._dry_in))
        worn_out = 3000.0 if ran > self._life else 0.0
        return float(FORCE_N - slow - worn_out - self._broken_n)

    def _draw_life(self) -> float:
        """Cycles that a set lasts: Weibull, shape 2.5."""
        return float(900_000 * self._random.weibull(2.5))

    def run(self, begin: datetime, end: datetime) -> Iterator[Act]:
        """Everything done between two times, in order."""
        yield from self._rebuild(begin, "preventive", first=True)
        # Each check: its code, what it is, when it falls due.
        running = self._begin_all(begin + timedelta(hours=2))
        while True:
            code = min(running, key=lambda each: running[each] or end)
            due = running[code]
            if due is None or due >= end:
                return
            time = due + timedelta(hours=float(self._random.exponential(10)) + 0.1)
            if time + timedelta(hours=4) >= end:
                return
            acts = list(self._check(code, time))
            yield from acts
            done = acts[-1].time
            rebuilt = any(act.type == "clamping_set.replaced" for act in acts)
            adjusted = any(act.type == "nose.adjusted" for act in acts)
            running.update(self._begun(done, code, accepted=rebuilt or adjusted))
            if not (rebuilt or adjusted) and code == BED_IN:
                running.pop(BED_IN)

    def _begin_all(self, accepted: datetime) -> dict[str, datetime | None]:
        return {**self._begun(accepted, FORCE, accepted=True), **self._begun(accepted, GREASE, accepted=False)}

    def _begun(self, at: datetime, code: str, *, accepted: bool) -> dict[str, datetime | None]:
        """The rechecks that begin with what was done at `at`, with when they fall due."""
        begun: dict[str, datetime | None] = {}
        if accepted:
            begun[BED_IN] = self._due(BED_IN, at, BED_IN_CYCLES, None)
        if code in (BED_IN, SETTING) or accepted:
            begun[SETTING] = self._due(SETTING, at, None, SETTING_DAYS)
        if code == FORCE:
            begun[FORCE] = self._due(FORCE, at, FORCE_CYCLES, FORCE_DAYS)
        if code == GREASE:
            begun[GREASE] = self._due(GREASE, at, GREASE_CYCLES, None)
        return begun

    def _due(self, code: str, anchor: datetime, cycles: int | None, days: int | None) -> datetime | None:
        made = self._shown.use.at(anchor)
        by_cycles = None if cycles is None else self._shown.use.when(made + cycles, anchor)
        by_days = None if days is None else anchor + timedelta(days=days)
        due = min((each for each in (by_cycles, by_days) if each is not None), default=None)
        count = None if cycles is None else self._shown.start + made + cycles
        self._dues.append(Due(code=code, anchor=anchor, due_count=count, due=due))
        return due

    def _check(self, code: str, time: datetime) -> Iterator[Act]:
        cycles = self._shown.use.at(time)
        self._break_springs(cycles)
        if code == GREASE:
            self._greased = cycles
            yield Act(time=time, type="clamping_set.greased", data={"grease": "invented grease"})
        elif code == FORCE:
            found = self._measured_force(cycles)
            yield self._pulls(time, found, "as_found")
            if min(found) < WARNING_N:
                reason = "low_force" if cycles - self._fitted <= self._life else "worn"
                yield from self._rebuild(time + timedelta(minutes=30), reason, first=False)
                yield self._pulls(time + timedelta(hours=2, minutes=20), self._measured_force(cycles), "as_left")
        else:
            first, second = self._measured_depth(cycles)
            yield self._readings(time, first, second)
            if abs((first + second) / 2 - NOMINAL_MM) > LIMIT_MM + 1e-9:
                yield from self._set_nose(time + timedelta(minutes=15))

    def _break_springs(self, cycles: int) -> None:
        while self._next_break <= cycles:
            time = self._shown.use.when(self._next_break)
            assert time is not None
            count = self._shown.start + int(self._next_break)
            loss = FORCE_N / SPRINGS * float(self._random.uniform(1.5, 3.5))
            self._breaks.append(SpringBreak(time=time, count=count, loss_n=loss))
            self._broken_n += loss
            self._next_break += float(self._random.exponential(1_500_000))

    def _rebuild(self, time: datetime, reason: str, *, first: bool) -> Iterator[Act]:
        cycles = self._shown.use.at(time)
        if not first:
            failed = reason in ("worn", "low_force")
            self._lives.append(SetLife(cycles=cycles - self._fitted, failed=failed, reason=reason))
            self._life = self._draw_life()
        self._fitted = self._greased = cycles
        if self._broken_n and self._random.random() < 0.8:
            self._broken_n = 0.0
            yield Act(time=time, type="component.replaced", data={"component": "disc_spring_stack"})
        self._nose = float(self._random.normal(0.01, 0.04))
        yield Act(
            time=time,
            type="clamping_set.replaced",
            data={"segments_seated": 6, "o_ring_fitted": True, "reason": reason},
        )
        yield from self._torque(time + timedelta(minutes=10))
        first_reading, second = self._measured_depth(cycles)
        yield self._readings(time + timedelta(minutes=20), first_reading, second)
        if abs((first_reading + second) / 2 - NOMINAL_MM) > LIMIT_MM + 1e-9:
            yield from self._set_nose(time + timedelta(minutes=30))

    def _torque(self, time: datetime) -> Iterator[Act]:
        yield Act(time=time, type="nose.torqued", data={"torque": {"value": "37", "unit": "N.m"}, "how": "set"})
        yield Act(time=time + timedelta(minutes=2), type="clamp.exercised", data={"cycles": 3})

    def _set_nose(self, time: datetime) -> Iterator[Act]:
        """Turned by what the depth is out by, torqued, run in, measured; again until it is in."""
        for _ in range(6):
            cycles = self._shown.use.at(time)
            out = self.depth(cycles) - NOMINAL_MM
            turn = {"value": f"{abs(out) / PITCH_MM * 360:.0f}", "unit": "deg"}
            yield Act(time=time, type="nose.adjusted", data={"turn": turn, "direction": "out" if out > 0 else "in"})
            self._nose -= out * float(self._random.normal(1, 0.08))
            yield from self._torque(time + timedelta(minutes=4))
            first, second = self._measured_depth(cycles)
            yield self._readings(time + timedelta(minutes=9), first, second)
            if abs((first + second) / 2 - NOMINAL_MM) <= LIMIT_MM + 1e-9:
                return
            time += timedelta(minutes=15)

    def _measured_depth(self, cycles: int) -> tuple[float, float]:
        tilt = abs(float(self._random.normal(0, 0.008)))
        bias = self._gauges["depth"][1]
        around = self.depth(cycles) + bias + self._random.normal(0, 0.004, 2)
        return round(float(around[0] + tilt), 2), round(float(around[1] - tilt), 2)

    def _measured_force(self, cycles: int) -> list[float]:
        scatter = self._random.normal(0, 120, 3)
        return [round((self.force(cycles) + self._gauges["force"][1] + float(each)) / 100) * 100 for each in scatter]

    def _readings(self, time: datetime, first: float, second: float) -> Act:
        readings = [
            {"angle": {"value": angle, "unit": "deg"}, "depth": millimetres(depth)}
            for angle, depth in (("0", first), ("180", second))
        ]
        gauge = self._gauges["depth"][0]
        data = {"readings": readings, "gauge": gauge, "gauge_zeroed": True, "draw_bar": "released"}
        return Act(time=time, type="setting.measured", data=data)

    def _pulls(self, time: datetime, found: list[float], phase: str) -> Act:
        pulls = [
            {"value": {"value": f"{pull / 1000:.1f}", "unit": "kN"}, "discarded": place == 0}
            for place, pull in enumerate(found)
        ]
        gauge = self._gauges["force"][0]
        data = {"pulls": pulls, "gauge": gauge, "gauge_zeroed": True, "draw_bar": "clamped", "phase": phase}
        return Act(time=time, type="draw_force.measured", data=data)
