"""What a turn of the nose did to the depth, learned from the turns made so far, and what the next is expected to do.

Rules of this file
- The thread says that one turn moves the depth by its lead, pitch times starts. A nose moves it by f times that: play
  in the thread, and how the nose seats under torque.
- Before any turn was seen f is 1 with the standard uncertainty PRIOR_U. Each turn seen between two admissible settings
  is one measurement of f; what is known after it is the mean weighted by 1/u2 (normal, prior included), so that a turn
  known poorly stays close to the thread. u of a turn is that of its two depths' difference (JCGM 100:2008, 5.1.2).
- That two turns in a row share the setting between them is left out.
- Whoever replaces the nose, the draw bar or the clamping set makes another pair of threads: nothing is learned over it.
- Nothing here is judged: it says how far to turn, and the setting measured afterwards is what counts.
"""

from datetime import datetime, timedelta
from decimal import Decimal, localcontext
from typing import Final

from msgspec import Struct

from service.domain.event.sheets import ThreadAdjust
from service.domain.finding import Finding
from service.domain.quantity import EXACT
from service.domain.uncertainty import NEAR, combined
from service.domain.verdict import MeasuredDepth

PRIOR_U: Final = Decimal("0.1")
"""Standard uncertainty of f before a turn was seen: a tenth of what the thread gives. Ours; no published source."""
NOTABLE: Final = Decimal("0.1")
"""A turn is worth a word from a tenth of what was expected of it, if that is beyond its doubt. Ours; no source."""
LEAST_FACTOR, MOST_FACTOR = Decimal("0.5"), Decimal(2)
"""Outside of these a slip (of direction, angle or reading) is likelier than a thread: it is told, nothing is learned
from it, and no advice goes beyond. Ours; no published source."""
SETTLED_CYCLES: Final = 50
"""More clamp cycles than these between two settings may have moved the depth themselves. Ours: a tenth of the 500
after which a rebuilt set is checked again (common practice, no published source)."""
SETTLED_WITHIN: Final = timedelta(days=7)
"""Two settings further apart are not before and after of one job. Ours; no published source."""

_MICROMETRE: Final = Decimal("0.001")


class Turned(Struct, frozen=True, kw_only=True):
    """The nose turned since an admissible setting: which, its depth, and the sum in degrees, inwards positive."""

    setting: int
    time: datetime
    count: int
    depth: MeasuredDepth
    inwards_deg: Decimal
    adjusted: int


class ObservedTurn(Struct, frozen=True, kw_only=True):
    """By how much a whole turn inwards changes the depth (mm), as the adjustment in entry `adjusted` showed it."""

    adjusted: int
    per_turn_mm: Decimal
    u_mm: Decimal


class Response(Struct, frozen=True, kw_only=True):
    """The factor f on what the thread gives, its standard uncertainty, and the adjustments that it was learned from."""

    factor: Decimal
    u: Decimal
    learned_from: tuple[int, ...]


class Answer(Struct, frozen=True, kw_only=True):
    """What one turn taught, None where nothing can be learned from it, and what is worth knowing about it."""

    learned: ObservedTurn | None = None
    findings: tuple[Finding, ...] = ()


def lead_inwards(adjust: object) -> Decimal | None:
    """The change of depth (mm) by one turn inwards as the thread gives it, None where the sheet does not say."""
    if not isinstance(adjust, ThreadAdjust) or adjust.pitch is None or not adjust.starts or not adjust.turning_in:
        return None
    lead = EXACT.multiply(adjust.pitch.base, Decimal(adjust.starts))
    return lead if adjust.turning_in == "increases_depth" else -lead


def expected_response(observed: tuple[ObservedTurn, ...], lead_mm: Decimal) -> Response:
    """What is known of f: the thread, and every turn seen, each by its uncertainty. `lead_mm` is that of one turn in.

    The factor stays within LEAST_FACTOR and MOST_FACTOR.
    """
    with localcontext(NEAR):
        weight = 1 / (PRIOR_U * PRIOR_U)
        total = weight
        for turn in observed:
            own = (lead_mm / turn.u_mm) ** 2
            weight += own
            total += own * turn.per_turn_mm / lead_mm
        factor = min(max(total / weight, LEAST_FACTOR), MOST_FACTOR)
        return Response(
            factor=factor, u=(1 / weight).sqrt(), learned_from=tuple(sorted(turn.adjusted for turn in observed))
        )


def answer_of(
    turned: Turned, depth: MeasuredDepth, *, at: datetime, count: int, lead_mm: Decimal, before: Response
) -> Answer:
    """What the depth after a turn says of it, against what was expected `before` it.

    Nothing where cycles or days between the two settings may have moved the depth, where the turns cancel, or where
    an uncertainty is not stated.
    """
    u = _difference_u(turned.depth, depth)
    settled = count - turned.count <= SETTLED_CYCLES and at - turned.time <= SETTLED_WITHIN
    if not u or not settled or turned.inwards_deg == 0:
        return Answer()
    divisor = depth.divisor * turned.depth.divisor
    with localcontext(EXACT):
        total = depth.total_mm * turned.depth.divisor - turned.depth.total_mm * depth.divisor
        by_thread_360 = turned.inwards_deg * lead_mm
    with localcontext(NEAR):
        achieved, by_thread = total / divisor, by_thread_360 / 360
        turns = turned.inwards_deg / 360
        expected = before.factor * by_thread
        u_whole = combined([u, before.u * by_thread])
        off = abs(achieved - expected)
        observed = ObservedTurn(adjusted=turned.adjusted, per_turn_mm=achieved / turns, u_mm=abs(u / turns))
        if off <= 2 * u_whole or off <= NOTABLE * abs(expected):
            return Answer(learned=observed)
        slip = not LEAST_FACTOR <= achieved / by_thread <= MOST_FACTOR
    text = _told(turned, expected, 2 * u_whole, achieved, slip=slip)
    return Answer(learned=None if slip else observed, findings=(Finding(code="nose_response", text=text),))


def _difference_u(before: MeasuredDepth, after: MeasuredDepth) -> Decimal | None:
    """u of the difference of two depths: under one calibration of one gauge what is common to both cancels.

    As in verdict.depth_shift, but also between two gauges (JCGM 100:2008, 5.2.2). None where a part is not stated.
    """
    parts = [before.u_own_mm, after.u_own_mm]
    if (before.gauge, before.calibration) != (after.gauge, after.calibration):
        parts += [before.u_common_mm, after.u_common_mm]
    known = [part for part in parts if part is not None]
    return combined(known) if len(known) == len(parts) else None


def _told(turned: Turned, expected: Decimal, doubt: Decimal, achieved: Decimal, *, slip: bool) -> str:
    which = "in" if turned.inwards_deg > 0 else "out"
    if achieved * expected < 0:
        judged = "the other way"
    else:
        judged = "too little" if abs(achieved) < abs(expected) else "too much"
    text = (
        f"{abs(turned.inwards_deg):f} deg {which} (entry {turned.adjusted}) should have changed the depth by "
        f"{_micrometres(expected)} mm, give or take {_micrometres(doubt)} mm; "
        f"it changed by {_micrometres(achieved)} mm: {judged}. "
        "Look at the thread, the seating and the torque of the nose before turning it again."
    )
    return f"{text} Nothing is learned from this turn: was it recorded as it was made?" if slip else text


def _micrometres(value: Decimal) -> str:
    """Millimetres to the third decimal, for a sentence."""
    rounded = value.quantize(_MICROMETRE, context=NEAR)
    return f"{rounded + 0 if rounded == 0 else rounded:f}"
