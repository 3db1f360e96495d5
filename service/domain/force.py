"""Draw force: which pulls are kept, and the one value that is judged."""

from decimal import Decimal, localcontext
from typing import Final, Literal

from msgspec import Struct

from service.domain.event.sheets import DrawForce
from service.domain.event.spindles import DrawForceMeasured
from service.domain.line import mean_and_sd
from service.domain.quantity import EXACT
from service.domain.uncertainty import NEAR

_ENOUGH: Final = 3


class ForceEstimate(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The judged force total/divisor in N, from `kept` pulls.

    `observed` is the standard deviation of three pulls or more with its degrees of freedom (JCGM 100:2008, 4.2.2).
    """

    total: Decimal
    divisor: int
    judged: Literal["mean", "lowest"]
    kept: int
    observed: tuple[Decimal, int] | None = None


def kept_pulls(data: DrawForceMeasured, stated: DrawForce) -> tuple[Decimal, ...]:
    """The pulls in N that count: neither marked as discarded, nor the first where the sheet discards it."""
    return tuple(
        pull.value.base
        for place, pull in enumerate(data.pulls)
        if not pull.discarded and not (stated.discard_first and place == 0)
    )


def pulls_wanted(stated: DrawForce) -> int:
    """How many kept pulls the sheet asks for: `pulls` are made, one less is kept where the first is discarded."""
    return max(1, stated.pulls - 1 if stated.discard_first else stated.pulls)


def estimate_force(data: DrawForceMeasured, stated: DrawForce, correction_n: Decimal = Decimal(0)) -> ForceEstimate:
    """Mean or lowest of the kept pulls in N, with the calibration's correction added to each.

    Where no pull is kept, all of them are taken: such a measurement is not admissible, and still warns.
    """
    with localcontext(EXACT):
        kept = kept_pulls(data, stated)
        pulls = [pull + correction_n for pull in kept or tuple(pull.value.base for pull in data.pulls)]
        if stated.judge == "lowest":
            return ForceEstimate(total=min(pulls), divisor=1, judged="lowest", kept=len(kept))
        observed = None if len(pulls) < _ENOUGH else (NEAR.plus(mean_and_sd(pulls)[1]), len(pulls) - 1)
        return ForceEstimate(
            total=sum(pulls, Decimal(0)), divisor=len(pulls), judged="mean", kept=len(kept), observed=observed
        )
