"""Weibull bounds on lives as the ledger has them, against the truth: `python -m tests.bench.set_lives [seed]` writes
`set_lives.md` beside this file.

Each plant is watched for a time only. Its ledger begins while sets run: of some the baseline says how old they are, of
others nothing does. Sets are also replaced for reasons that are no failure, and spindles go out of use. What a fit sees
are the marks that the ledger would have, and nothing else.
"""

import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.question import QuestionRefused
from service.domain.set_life import FAILURES, MarkKind, SetMark, lives_in, parted
from service.domain.weibull import Bounds, Weibull, fit_weibull, likelihood_bounds

TRUE: Final = Weibull(shape=2.5, scale=300_000)
BEGIN: Final = datetime(2025, 1, 6, tzinfo=UTC)
PLANTS: Final = 1000
PERIOD: Final = timedelta(days=3 * 365)


class Held(Struct, frozen=True, kw_only=True):
    """Over the plants of a seed: how often bounds held the true shape, scale and B10, at 80 % and at 95 %."""

    plants: int
    refused: int
    failures: float
    late: float
    share: dict[float, tuple[float, float, float]]


def marks_of(random: np.random.Generator, spindles: int, *, truth: Weibull = TRUE) -> list[SetMark]:
    """The marks of one plant: spindles that run 100 to 600 cycles a day, watched for three years."""
    return [mark for number in range(spindles) for mark in _spindle(random, number, truth)]


def _spindle(random: np.random.Generator, number: int, truth: Weibull) -> Iterator[SetMark]:
    a_day = float(random.uniform(100, 600))
    lasts = PERIOD * (1 if random.random() < 0.9 else float(random.uniform(0.2, 1)))
    end = int(a_day * (lasts / timedelta(days=1)))
    told: list[tuple[MarkKind, str | None, int, int | None]] = []
    began = -int(random.uniform(0, 1) * 200_000)
    stated = began if random.random() < 0.6 else None
    told.append(("commissioned", None, 0, stated))
    at = began
    while True:
        # Of sets from before the ledger only those are there that had not failed by then.
        life = _life(random, truth, -at if at < 0 else 0)
        for_other_reasons = float(random.exponential(1_200_000)) + max(0, -at)
        ended = at + int(min(life, for_other_reasons))
        if ended > end:
            break
        reason = ("worn", "low_force")[number % 2] if life <= for_other_reasons else ("crash", "preventive")[number % 2]
        told.append(("rebuilt", reason, ended, None))
        at = ended
    for kind, reason, count, fitted in told:
        yield SetMark(
            subject=number,
            spindle=f"SK-{number:04}",
            plant="skerrow",
            sheet="SKERROW-A",
            kind=kind,
            reason=reason,
            occurred=BEGIN + timedelta(days=count / a_day),
            count=count,
            fitted_count=fitted,
            fitted_at=None,
            days=0.0,
            lifecycle="installed" if lasts == PERIOD else "retired",
            count_now=end,
        )


def _life(random: np.random.Generator, truth: Weibull, beyond: float) -> float:
    """A life, given that it is longer than `beyond`."""
    hazards = truth.hazards(beyond) if beyond > 0 else 0.0
    return float(truth.scale * (hazards + random.exponential()) ** (1 / truth.shape)) + 1


def coverage(seed: int, spindles: int, plants: int = PLANTS) -> Held:
    random = np.random.default_rng(seed)
    truth = (TRUE.shape, TRUE.scale, TRUE.life_of(0.1))
    held = {0.8: [0, 0, 0], 0.95: [0, 0, 0]}
    failures = late = fitted = 0
    for _ in range(plants):
        lives, _ = lives_in(marks_of(random, spindles), "cycles")
        seen = parted(lives, FAILURES)
        try:
            fit = fit_weibull(seen.failures, seen.censored, seen.entered)
        except QuestionRefused:
            continue
        fitted, failures, late = fitted + 1, failures + len(seen.failures), late + len(seen.entered)
        for confidence, counts in held.items():
            shape, scale, (b10,) = likelihood_bounds(fit, confidence, (0.1,))
            for place, (bounds, true) in enumerate(zip((shape, scale, b10), truth, strict=True)):
                counts[place] += _holds(bounds, true)
    shares = {level: (c[0] / fitted, c[1] / fitted, c[2] / fitted) for level, c in held.items()}
    return Held(plants=fitted, refused=plants - fitted, failures=failures / fitted, late=late / fitted, share=shares)


def _holds(bounds: Bounds, true: float) -> bool:
    low = bounds.lower is None or bounds.lower <= true
    return low and (bounds.upper is None or true <= bounds.upper)


def report(seeds: tuple[int, ...]) -> Iterator[str]:
    yield "# Bounds of the life of clamping sets, against the truth\n"
    yield (
        f"Made by `python -m tests.bench.set_lives`. Truth: shape {TRUE.shape}, scale {TRUE.scale:.0f} cycles. "
        "Invented plants, watched for three years from a moment at which sets were running; "
        f"bounds by the likelihood ratio, {PLANTS} plants a line.\n"
    )
    yield "| seed | spindles | failures on average | entered late | refused | 80 %: shape, scale, B10 | 95 % |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for seed in seeds:
        for spindles in (10, 25, 60, 200):
            found = coverage(seed, spindles)
            told = [", ".join(f"{each:.1%}" for each in found.share[level]) for level in (0.8, 0.95)]
            yield (
                f"| {seed} | {spindles} | {found.failures:.1f} | {found.late:.1f} | {found.refused} "
                f"| {told[0]} | {told[1]} |"
            )


def main() -> None:
    seeds = tuple(int(each) for each in sys.argv[1:]) or (1, 2)
    text = "\n".join(report(seeds)) + "\n"
    (Path(__file__).parent / "set_lives.md").write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
