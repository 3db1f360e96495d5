"""What one broken disc may take of a draw force: the least and the most, by the formulas of EN 16984.

The stack is held at its length. The least is lost where the broken disc keeps its thickness in the packet, the most
where its pieces fall out and the packet is shorter by as much. The model is ours. A draw force that the stack alone
does not make (a gripper multiplies it) is taken as the usual pre-load: shares of the force are compared, not newtons.
"""

from typing import Final

from msgspec import Struct

from service.domain.disc_spring import Disc, Stack, check_disc, with_one_broken
from service.domain.event.sheets import SpringStack
from service.domain.question import QuestionRefused

MODULUS: Final = 206_000.0
"""N/mm2 of spring steel at room temperature, as EN 16984 takes it."""
POISSON: Final = 0.3
USUAL: Final = 0.75
"""The deflection in cone heights at which stacks are usually pre-loaded, where no force says it. From memory."""


class SpringLoss(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Shares of the force that one broken disc takes, its pieces staying (`least`) or falling out (`most`).

    `deflection` is that of each whole disc before, in cone heights; `solved` says that the force gave it.
    """

    least: float
    most: float
    deflection: float
    solved: bool


def stack_of(stated: SpringStack | str | None) -> Stack | None:
    """The stack of a sheet; None where it states none, or not enough of it, or what is no disc spring."""
    if not isinstance(stated, SpringStack):
        return None
    lengths = [stated.De, stated.Di, stated.t, stated.h0]
    if any(each is None or each.dimension != "length" or each.base <= 0 for each in lengths):
        return None
    outer, inner, thickness, height = (float(each.base) for each in lengths if each is not None)
    disc = Disc(outer=outer, inner=inner, thickness=thickness, height=height, modulus=MODULUS, poisson=POISSON)
    try:
        check_disc(disc)
    except QuestionRefused:
        return None
    return Stack(disc=disc, parallel=stated.parallel or 1, series=stated.series or 1)


def deflection_at(stack: Stack, force: float) -> float | None:
    """The deflection of each disc in mm at which the stack pulls `force` in N; None where it never does, up to flat."""
    high = stack.disc.travel
    if not 0 < force <= stack.force(high):
        return None
    low = 0.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if stack.force(middle) < force else (low, middle)
    return high


def loss_of_one(stack: Stack, force: float) -> SpringLoss:
    """What one broken disc takes of a force in N."""
    found = deflection_at(stack, force)
    s = USUAL * stack.disc.travel if found is None else found
    whole = stack.force(s)
    kept = with_one_broken(stack, s).loss
    fallen = 1 - _without_its_thickness(stack, s) / whole
    return SpringLoss(
        least=round(min(kept, fallen), 6),
        most=round(max(kept, fallen), 6),
        deflection=round(s / stack.disc.travel, 4),
        solved=found is not None,
    )


def _without_its_thickness(stack: Stack, s: float) -> float:
    """The force with the broken disc's pieces fallen out: its packet is one disc fewer, and shorter by it."""
    disc, n, i = stack.disc, stack.parallel, stack.series
    left = stack.travel(s) - (disc.free if n == 1 else disc.body)
    if i == 1:
        return 0.0 if n == 1 else (n - 1) * disc.force(max(left, 0.0))
    if left <= 0:
        return 0.0
    if n == 1:
        return disc.force(left / (i - 1))
    low, high = 0.0, min(disc.travel, left)
    for _ in range(60):
        middle = (low + high) / 2
        others = n * disc.force((left - middle) / (i - 1))
        low, high = (low, middle) if (n - 1) * disc.force(middle) >= others else (middle, high)
    return n * disc.force((left - high) / (i - 1))
