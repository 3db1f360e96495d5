"""Fits of lives: how long one takes, and (`python -m tests.bench.lives`) how often bounds hold the truth."""

import time

import numpy as np

from service.domain.question import Floats
from service.domain.weibull import Weibull, fisher_bounds, fit_weibull, likelihood_bounds, log_likelihood
from tests.bench.ground import Ground, Row

LIVES = 5000
ROUNDS = 20
REPEATS = 2000
TRUE = Weibull(shape=2.0, scale=1.0)


def lives(seed: int, count: int = LIVES) -> tuple[Floats, Floats]:
    """Failures, and lives cut short at chance times: about four fifths of them."""
    chance = np.random.default_rng(seed)
    every, cut = 100_000 * chance.weibull(2.2, count), chance.uniform(0, 87_000, count)
    return every[every <= cut], cut[every > cut]


async def fits(_at: Ground) -> Row:
    """A fit with bounds of shape, scale and B10 by the likelihood ratio, beside one look at the likelihood."""
    failures, censored = lives(1)
    start = time.perf_counter()
    for _ in range(ROUNDS):
        fit = fit_weibull(failures, censored)
        likelihood_bounds(fit, 0.95, (0.1,))
    ours = (time.perf_counter() - start) / ROUNDS
    start = time.perf_counter()
    for _ in range(ROUNDS):
        log_likelihood(fit.lives, fit.weibull)
    bare = (time.perf_counter() - start) / ROUNDS
    return Row(
        name=f"{LIVES:,} lives, {len(censored) / LIVES:.0%} cut short, fitted with bounds",
        ours=f"{1000 * ours:.1f} ms",
        bare=f"one likelihood {1000 * bare:.2f} ms",
        ratio=ours / bare,
        aim="under 1 s",
    )


def coverage(failures: int, of: int, seed: int) -> dict[str, list[float]]:
    """How often 95 % bounds hold the true shape, scale and B10, the watch ended by the last of `failures`."""
    chance = np.random.default_rng(seed)
    truth = (TRUE.shape, TRUE.scale, TRUE.life_of(0.1))
    held = {"likelihood ratio": [0, 0, 0], "fisher": [0, 0, 0]}
    for _ in range(REPEATS):
        every = np.sort(chance.weibull(TRUE.shape, of))
        fit = fit_weibull(every[:failures], np.full(of - failures, every[failures - 1]))
        for name, bounds in (("likelihood ratio", likelihood_bounds), ("fisher", fisher_bounds)):
            shape, scale, (b10,) = bounds(fit, 0.95, (0.1,))
            for place, (each, true) in enumerate(zip((shape, scale, b10), truth, strict=True)):
                low = each.lower is None or each.lower <= true
                held[name][place] += low and (each.upper is None or true <= each.upper)
    return {name: [count / REPEATS for count in counts] for name, counts in held.items()}


def main() -> None:
    print(f"95 % bounds of shape, scale and B10, {REPEATS:,} simulated samples each (shape {TRUE.shape})")
    for seed in (1, 2):
        for failures, of in ((3, 6), (5, 10), (10, 20), (30, 60)):
            for name, shares in coverage(failures, of, seed).items():
                told = "  ".join(f"{share:.1%}" for share in shares)
                print(f"seed {seed}: {failures:>2} failures of {of:>2}, {name:<16}  {told}", flush=True)


MEASURES = (fits,)

if __name__ == "__main__":
    main()
