"""Forecasts of due times against what then came: plants whose truth is known, asked at moments of their past.

What is asked is what the service would know then: readings up to the moment, and the groups as they were known at most
four weeks before.
"""

from collections.abc import Sequence
from datetime import timedelta, tzinfo
from itertools import pairwise

import numpy as np
from msgspec import Struct

from service.demo.plant import Plant
from service.demo.plant_use import ShownCount, Use
from service.domain.due_time import pace_of, reached
from service.domain.use_rate import Prior, UseFit, fit, prior_of
from service.domain.use_series import Exchanged, Readings
from service.domain.week_pattern import WEEK, Floats, hours_of

HORIZONS = {"six hours": 0.25, "a day": 1.0, "a week": 7.0, "a month": 30.0}
"""Amounts asked for, in days of the spindle's use on average over the year."""
FIRST_WEEK = 4
GROUPS_EVERY = 4
FOREVER = 1e12
Zones = Sequence[tzinfo | None]


class Watched(Struct, frozen=True, kw_only=True):
    """One spindle: its group, what its counter showed, and the truth."""

    hall: str
    found: Readings
    exchanged: tuple[Exchanged, ...]
    use: Use


class Answered(Struct, frozen=True, kw_only=True):
    """One forecast: quantiles of the due time and when it truly fell due, in hours; infinite where it never did."""

    horizon: str
    week: float
    quantiles: tuple[float, ...]
    came: float

    def within(self, low: int, high: int) -> bool:
        """Between two quantiles, a second given for rounding."""
        return self.quantiles[low] - 1 / 3600 <= self.came <= self.quantiles[high] + 1 / 3600


def watched(plant: Plant) -> list[Watched]:
    """The spindles of a plant with their counters as they were read."""
    return [
        Watched(hall=each.hall, found=found, exchanged=exchanged, use=each.use)
        for each in plant.spindles
        for found, exchanged in [seen(each.shown, plant.every)]
    ]


def seen(shown: ShownCount, every: timedelta) -> tuple[Readings, tuple[Exchanged, ...]]:
    """What readings at equal intervals tell of a counter."""
    begin, hour = hours_of(shown.use.begin), timedelta(hours=1)
    step = every / hour
    hours = np.arange(step, len(shown.use.before) - 1 + 1e-9, step)
    made = np.floor(np.interp(hours, np.arange(len(shown.use.before)), shown.use.before))
    reading = shown.start + made
    limits = {"cycles_per_count": 1, "modulus": shown.modulus, "max_per_second": 1}
    exchanged = [Exchanged(hour=begin, old_end=None, new_start=shown.start, **limits)]
    for each in shown.exchanges:
        hour_of_it = hours_of(each.time)
        reading = np.where(hours + begin >= hour_of_it, each.new_start + made - each.cycles, reading)
        exchanged.append(Exchanged(hour=hour_of_it, old_end=each.old_end, new_start=each.new_start, **limits))
    if shown.modulus is not None:
        reading = reading % shown.modulus
    says = np.ones(len(hours), dtype=bool)
    for began, ended in shown.silent:
        says &= (hours + begin < hours_of(began)) | (hours + begin >= hours_of(ended))
    return Readings(hours=hours[says] + begin, readings=reading[says]), tuple(exchanged)


def known_at(spindle: Watched, hour: float, zones: Zones, prior: Prior | None = None) -> UseFit | None:
    """The fit by what had been read then."""
    place = int(np.searchsorted(spindle.found.hours, hour, side="right"))
    found = Readings(hours=spindle.found.hours[:place], readings=spindle.found.readings[:place])
    exchanged = [each for each in spindle.exchanged if each.hour <= hour]
    return fit(found, exchanged, [(exchanged[0].hour, FOREVER)], zones, prior)


def groups_at(spindles: Sequence[Watched], hour: float, zones: Zones) -> dict[str, Prior | None]:
    fits: dict[str, list[UseFit]] = {}
    for each in spindles:
        found = known_at(each, hour, zones)
        if found is not None:
            fits.setdefault(each.hall, []).append(found)
    return {hall: prior_of(found) for hall, found in fits.items()}


def ask(
    spindles: Sequence[Watched], *, seed: int, weeks: int = 52, asks: int = 6, zones: Zones = (None,)
) -> list[Answered]:
    """Each spindle asked at so many moments, at each for every horizon that the story is long enough for."""
    random = np.random.default_rng(seed)
    begin = hours_of(spindles[0].use.begin)
    groups = {
        week: groups_at(spindles, begin + week * WEEK, zones) for week in range(FIRST_WEEK, weeks - 2, GROUPS_EVERY)
    }
    answered: list[Answered] = []
    for spindle in spindles:
        for _ in range(asks):
            week = float(random.uniform(FIRST_WEEK, weeks - 2))
            known = groups[max(each for each in groups if each <= week)].get(spindle.hall)
            answered += _asked(spindle, begin, week, weeks, known, zones)
    return answered


def _asked(
    spindle: Watched, begin: float, week: float, weeks: int, prior: Prior | None, zones: Zones
) -> list[Answered]:
    hour = begin + week * WEEK
    pace = pace_of(known_at(spindle, hour, zones, prior), prior, zones)
    if isinstance(pace, str):
        return []
    last = float(spindle.found.hours[np.searchsorted(spindle.found.hours, hour, side="right") - 1])
    since = spindle.use.begin + timedelta(hours=last - begin)
    made, a_day = spindle.use.at(since), float(spindle.use.before[-1]) / (weeks * 7)
    answered = []
    for name, days in HORIZONS.items():
        cycles = max(round(days * a_day), 1)
        came = spindle.use.when(made + cycles)
        if week + days / 7 * 2 > weeks and days > 1:
            continue
        quantiles = tuple(hours_of(each) for each in reached(pace, since, cycles))
        truth = float("inf") if came is None else hours_of(came)
        answered.append(Answered(horizon=name, week=week, quantiles=quantiles, came=truth))
    return answered


class Score(Struct, frozen=True, kw_only=True):
    """How a horizon's forecasts did: parts of one, hours."""

    asked: int
    in_80: float
    in_95: float
    miss: float
    width_80: float


def score(answered: Sequence[Answered], horizon: str) -> Score:
    mine = [each for each in answered if each.horizon == horizon]
    misses = [abs(each.came - each.quantiles[2]) for each in mine]
    return Score(
        asked=len(mine),
        in_80=float(np.mean([each.within(1, 3) for each in mine])),
        in_95=float(np.mean([each.within(0, 4) for each in mine])),
        miss=float(np.median(misses)),
        width_80=float(np.median([each.quantiles[3] - each.quantiles[1] for each in mine])),
    )


def by_weeks(answered: Sequence[Answered], horizon: str) -> dict[str, Floats]:
    """Coverage of the 80 % interval by quarter of the story, to see what a young history does."""
    mine = [each for each in answered if each.horizon == horizon]
    edges = (0, 8, 16, 26, 39, 60)
    return {
        f"{low} to {high}": np.array([each.within(1, 3) for each in mine if low <= each.week < high])
        for low, high in pairwise(edges)
    }
