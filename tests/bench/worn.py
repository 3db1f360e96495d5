"""What is said of wear and of steps, against spindles whose hidden truth is known: facts are folded, then asked.

`python -m tests.bench.worn --seed 1` writes `tests/bench/worn.md`. Every number of these spindles is invented; they are
not the demo's plant, and differ from each other in how often they are measured, how their gauges scatter, and in their
stacks of springs.
"""

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np
from msgspec import Struct, structs

from service.domain.disc_spring import Stack
from service.domain.event import Fact
from service.domain.event.sheets import SpringStack
from service.domain.fold import replay
from service.domain.quantity import quantity
from service.domain.spring_loss import loss_of_one, stack_of
from service.domain.step import References, Step
from service.domain.wear import Wear, wear_of
from service.domain.wear_series import WearHistory, history_of
from tests.domain.one_spindle import held_then
from tests.domain.skerrow import SHEET, fact, force_gauge, gauge, mm, q, sheet

BEGIN: Final = datetime(2026, 1, 5, 12, tzinfo=UTC)
DAYS: Final = 363
REPORT: Final = Path(__file__).with_suffix(".md")
_LONG: Final = {"expanded_uncertainty": mm("0.002"), "k": "2", "correction": mm("0"), "due": "2046-01-05"}


class Kind(Struct, frozen=True, kw_only=True):
    """How a plant measures, and what is hidden: scatter of one measurement in mm and N, what dryness takes at most."""

    name: str
    every_days: float
    depth_scatter: float
    force_scatter: float
    stated: float
    dry_n: tuple[float, float]
    grease_cycles: int
    a_day: float
    springs: tuple[tuple[str, str, str, str], int, int]
    adjusts: float


KINDS: Final = (
    Kind(name="weekly", every_days=7, depth_scatter=0.004, force_scatter=90, stated=1.0, dry_n=(200, 1200),
         grease_cycles=30_000, a_day=700, springs=(("40", "20.4", "2.5", "1"), 2, 30), adjusts=0.2),
    Kind(name="fortnightly, other stack", every_days=14, depth_scatter=0.003, force_scatter=150, stated=0.6,
         dry_n=(0, 800), grease_cycles=20_000, a_day=300,
         springs=(("31.5", "16.3", "1.75", "0.7"), 1, 40), adjusts=0.1),
    Kind(name="monthly", every_days=30, depth_scatter=0.003, force_scatter=90, stated=1.5, dry_n=(0, 1000),
         grease_cycles=40_000, a_day=600, springs=(("40", "20.4", "2.5", "1"), 2, 30), adjusts=0.1),
    Kind(name="monthly, little used", every_days=30, depth_scatter=0.005, force_scatter=120, stated=1.0,
         dry_n=(0, 600), grease_cycles=8_000, a_day=60, springs=(("50", "25.4", "3", "1.1"), 2, 24), adjusts=0.1),
    Kind(name="quarterly", every_days=91, depth_scatter=0.003, force_scatter=90, stated=1.0, dry_n=(0, 600),
         grease_cycles=40_000, a_day=500, springs=(("40", "20.4", "2.5", "1"), 2, 30), adjusts=0.0),
)  # fmt: skip


class Broken(Struct, frozen=True, kw_only=True):
    """A spring broke before the measurement `at` of the forces, counted from 0, and took so much."""

    at: int
    loss_n: float


class Worn(Struct, frozen=True, kw_only=True):
    """One spindle: its facts, and the truth. `meets` is the count at which the true depth meets its lower limit."""

    kind: Kind
    facts: tuple[Fact, ...]
    known: References
    breaks: tuple[Broken, ...]
    forces: tuple[int, ...]
    meets: float
    years: float


def spindle(random: np.random.Generator, kind: Kind) -> Worn:
    """A year of one spindle, measured, greased and now and then adjusted. It is never rebuilt, whatever it shows."""
    return _Life(random, kind).lived()


class _Life:
    def __init__(self, random: np.random.Generator, kind: Kind) -> None:
        self.random, self.kind = random, kind
        self.facts: list[Fact] = []
        self.a_day = kind.a_day * float(random.lognormal(0, 0.4))
        year = self.a_day * DAYS
        self.drift = 0.05 / year * float(random.lognormal(0, 0.5))
        self.loss = float(random.lognormal(np.log(0.03), 0.5)) * 21_000 / year
        self.dry, self.dry_in = float(random.uniform(*kind.dry_n)), kind.grease_cycles * float(random.uniform(0.3, 1.5))
        self.bed, self.bed_in = float(random.uniform(0.003, 0.03)), 250.0
        self.lower, self.nose, self.adjusted, self.greased = 0.12, 0.0, 0.0, 0.0
        self.springs = _stack(kind)
        self.out = 0.0
        self.bias = float(random.normal(0, 0.001)), float(random.normal(0, 100))

    def tell(self, name: str, data: dict[str, Any], days: float) -> int:
        told = fact(name, data, len(self.facts) + 1, BEGIN + timedelta(days=days))
        self.facts.append(structs.replace(told, reading=held_then(told, None)))
        return told.sequence

    def lived(self) -> Worn:
        kind, random = self.kind, self.random
        self.tell("spindle.commissioned", {"serial": "W", "sheet": "S", "counter": {"start": 0}, "plant": "skerrow",
                                            "hall": "1", "machine": "M", "position": "1"}, 0)  # fmt: skip
        self.tell("clamping_set.replaced", {"segments_seated": 6, "o_ring_fitted": True, "reason": "worn"}, 0.01)
        self._torque(0.02)
        forces: list[int] = []
        breaks: list[Broken] = []
        next_break = float(random.exponential(DAYS))
        times = np.arange(1.0, DAYS, kind.every_days) + random.uniform(
            0, 0.5, len(np.arange(1.0, DAYS, kind.every_days))
        )
        for day in (float(each) for each in times):
            cycles = self.a_day * day
            self._grease_until(cycles, day)
            if next_break <= day:
                taken = self._break(cycles)
                breaks.append(Broken(at=len(forces), loss_n=taken))
                next_break = day + float(random.exponential(DAYS * 1.5)) + 2 * kind.every_days
            self._measure_depth(day, cycles)
            forces.append(self._measure_force(day + 0.01, cycles))
            if day < DAYS / 2 and random.random() < kind.adjusts * kind.every_days / DAYS:
                self._adjust(day + 0.05, cycles)
        meets = self._meets()
        return Worn(kind=kind, facts=tuple(self.facts), known=_known(kind, self.lower), breaks=tuple(breaks),
                    forces=tuple(forces), meets=meets, years=DAYS / 365)  # fmt: skip

    def _torque(self, days: float) -> None:
        self.tell("nose.torqued", {"torque": q("37", "N.m"), "how": "set"}, days)
        self.tell("clamp.exercised", {"cycles": 3}, days + 0.001)

    def _grease_until(self, cycles: float, day: float) -> None:
        last = self.kind.grease_cycles * (cycles // self.kind.grease_cycles)
        if last > self.greased:
            self.greased = last
            at = min(last / self.a_day, day - 0.02)
            self.tell("clamping_set.greased", {"grease": "invented grease", "count": round(last)}, at)

    def depth(self, cycles: float) -> float:
        bedding = 1 - float(np.exp(-(cycles - self.adjusted) / self.bed_in))
        return 11.4 + self.nose - self.bed * bedding - self.drift * cycles

    def force(self, cycles: float) -> float:
        dryness = self.dry * (1 - float(np.exp(-(cycles - self.greased) / self.dry_in)))
        return 21_000 - self.loss * cycles - dryness - self.out

    def _break(self, cycles: float) -> float:
        """One disc more: what it takes lies between its pieces staying and falling out, nearer to where they stay."""
        share = loss_of_one(self.springs, self.force(cycles))
        part = float(self.random.uniform(0.1, 0.6))
        taken = (share.least + part * (share.most - share.least)) * self.force(cycles)
        self.out += taken
        return taken

    def _adjust(self, days: float, cycles: float) -> None:
        turned = float(self.random.normal(0, 0.02))
        self.tell("nose.adjusted", {"turn": q("10", "deg"), "direction": "out"}, days)
        self.nose += turned + self.bed * (1 - float(np.exp(-(cycles - self.adjusted) / self.bed_in)))
        self.adjusted = cycles
        self._torque(days + 0.01)

    def _measure_depth(self, days: float, cycles: float) -> None:
        around = self.depth(cycles) + self.bias[0] + self.random.normal(0, self.kind.depth_scatter, 2)
        readings = [{"angle": q(angle, "deg"), "depth": mm(f"{round(depth / 0.001) * 0.001:.3f}")}
                    for angle, depth in zip(("0", "180"), around, strict=True)]  # fmt: skip
        data = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"}
        self.tell("setting.measured", data | {"count": round(cycles)}, days)

    def _measure_force(self, days: float, cycles: float) -> int:
        found = self.force(cycles) + self.bias[1] + self.random.normal(0, self.kind.force_scatter, 2)
        pulls = [{"value": q(f"{round(each / 10) * 10}", "N")} for each in found]
        data = {"pulls": pulls, "gauge": "FG-01", "gauge_zeroed": True, "draw_bar": "clamped"}
        return self.tell("draw_force.measured", data | {"count": round(cycles)}, days)

    def _meets(self) -> float:
        return (self.nose - self.bed + self.lower) / self.drift


def _stack(kind: Kind) -> Stack:
    lengths = dict(zip(("De", "Di", "t", "h0"), kind.springs[0], strict=True))
    stated = SpringStack(**{name: quantity(str(each), "mm") for name, each in lengths.items()},
                         parallel=kind.springs[1], series=kind.springs[2])  # fmt: skip
    found = stack_of(stated)
    assert found is not None
    return found


def _known(kind: Kind, lower: float) -> References:
    lengths = dict(zip(("De", "Di", "t", "h0"), kind.springs[0], strict=True))
    springs = {name: mm(str(each)) for name, each in lengths.items()}
    stated = SHEET | {
        "setting_depth": {
            "quantity": "depth",
            "nominal": mm("11.40"),
            "lower": mm(f"-{lower}"),
            "upper": mm(f"{lower}"),
        },
        "draw_force": {"nominal": q("21", "kN"), "warning": q("16", "kN"), "minimum": q("14", "kN"), "pulls": 2},
        "spring_stack": springs | {"parallel": kind.springs[1], "series": kind.springs[2]},
        "rechecks": [],
    }
    depth = gauge(
        calibration=_LONG, resolution=mm("0.001"), repeatability=mm(f"{kind.depth_scatter * kind.stated:.4f}")
    )
    force = force_gauge(repeatability=q(f"{kind.force_scatter * kind.stated:.0f}", "N"))
    return References(sheets={"S": sheet(stated)}, gauges={"DG-03": depth, "FG-01": force})


def folded(worn: Worn) -> list[Step]:
    return list(replay("W", worn.facts, worn.known))


def asked(steps: Sequence[Step], until: datetime) -> tuple[WearHistory, Wear]:
    """What would have been said at a moment."""
    history = history_of([each for each in steps if each.state.newest.time <= until])
    count = max((each.count for each in history.depth.points), default=0)
    return history, wear_of(history, count, None)


class Tally(Struct, kw_only=True):
    """What came of the spindles of one kind; `asked` counts questions about the depth's limit, by how they ended."""

    spindles: int = 0
    years: float = 0.0
    asked: dict[str, int] = {}
    in_80: int = 0
    in_95: int = 0
    breaks: int = 0
    found: int = 0
    as_disc: int = 0
    unseen: int = 0
    alarms: int = 0
    slow: int = 0

    @property
    def told(self) -> int:
        return self.asked.get("told", 0)

    def add(self, worn: Worn) -> None:
        steps = folded(worn)
        self.spindles += 1
        self.years += worn.years
        for part in (0.5, 0.7, 0.95):
            self._depth(asked(steps, BEGIN + timedelta(days=DAYS * part))[1], worn.meets)
        self._steps(asked(steps, BEGIN + timedelta(days=DAYS))[0], worn)

    def _depth(self, wear: Wear, meets: float) -> None:
        seen = wear.setting_depth
        reason = seen.reason or "told"
        self.asked[reason] = self.asked.get(reason, 0) + 1
        if seen.limit_at is not None:
            (low80, high80), (low, high) = seen.limit_at.count_p80, seen.limit_at.count_p95
            self.in_80 += low80 <= meets <= high80
            self.in_95 += low <= meets <= high

    def _steps(self, history: WearHistory, worn: Worn) -> None:
        """A break is found by a step at its first or second check; a step at neither, nor at the two after, is false.

        A break before the first check, or after the last but one, is in nobody's reach.
        """
        checks = {entry: place for place, entry in enumerate(worn.forces)}
        sudden = [each for each in history.steps if each.kind != "slow"]
        self.slow += len(history.steps) - len(sudden)
        for broken in worn.breaks:
            if broken.at == 0 or broken.at + 1 >= len(worn.forces):
                self.unseen += 1
                continue
            self.breaks += 1
            hits = [each for each in sudden if checks[each.entry] - broken.at in (0, 1)]
            self.found += bool(hits)
            self.as_disc += any(each.kind == "disc_spring" for each in hits)
        explained = [each for each in sudden if any(0 <= checks[each.entry] - broken.at <= 3 for broken in worn.breaks)]
        self.alarms += len(sudden) - len(explained)


def tallied(seed: int, each: int) -> dict[str, Tally]:
    """So many spindles of every kind."""
    random = np.random.default_rng(seed)
    tallies = {}
    for kind in KINDS:
        tally = tallies[kind.name] = Tally()
        for _ in range(each):
            tally.add(spindle(random, kind))
    return tallies


def lines(seed: int, tallies: dict[str, Tally]) -> Iterator[str]:
    """One seed as a table."""
    total = sum(tally.spindles for tally in tallies.values())
    yield f"## Seed {seed}: {total} spindles, {DAYS} days"
    yield ""
    yield (
        "| measured | asked of the limit | told | within 80 % | within 95 % | breaks | found within two checks | "
        "of these as a disc | out of reach | false alarms per spindle-year | slow losses per spindle-year |"
    )
    yield "| --- |" + " ---: |" * 10
    for name, tally in [*tallies.items(), ("all", _together(tallies.values()))]:
        yield (
            f"| {name} | {sum(tally.asked.values())} | {tally.told} | {_part(tally.in_80, tally.told)} | "
            f"{_part(tally.in_95, tally.told)} | {tally.breaks} | {_part(tally.found, tally.breaks)} | "
            f"{_part(tally.as_disc, tally.found)} | {tally.unseen} | {tally.alarms / tally.years:.3f} | "
            f"{tally.slow / tally.years:.2f} |"
        )
    yield ""


def _part(some: int, of: int) -> str:
    return "" if of == 0 else f"{100 * some / of:.1f} %"


def _together(tallies: Iterable[Tally]) -> Tally:
    whole = Tally()
    for tally in tallies:
        for name in Tally.__struct_fields__:
            if name != "asked":
                setattr(whole, name, getattr(whole, name) + getattr(tally, name))
        for reason, count in tally.asked.items():
            whole.asked[reason] = whole.asked.get(reason, 0) + count
    return whole


def main() -> None:
    """Writes the report of one or more seeds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--each", type=int, default=60, help="spindles of every kind")
    given = parser.parse_args()
    said = [
        "# Wear and steps against hidden truth",
        "",
        f"By `python -m tests.bench.worn --seed {' '.join(map(str, given.seed))} --each {given.each}`; "
        "every spindle is invented. Each is asked three times when its setting depth meets its lower limit; the three "
        "answers of one spindle are not independent. A break takes 10 to 60 % of the way from what a disc takes whose "
        "pieces stay to what one takes whose pieces fall out, by the model that also tells discs apart; the "
        "smallest are within the scatter. A step within three checks of a break is no false alarm.",
        "",
    ]
    for seed in given.seed:
        said += lines(seed, tallied(seed, given.each))
    REPORT.write_text("\n".join(said), encoding="utf-8")
    sys.stdout.write("\n".join(said))


if __name__ == "__main__":
    main()
