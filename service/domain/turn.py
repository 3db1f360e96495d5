"""What to do about a setting: how far to turn the nose and which way, or which shim, step by step, with cautions.

Rules of this file: "in" is away from the front. Depth is what the readings measure, and `turning_in` says what a
turn inwards does to it. Pitch, hand and torque come from the sheet; where one is missing no advice is given
and the member is named. No torque above the sheet's maximum is ever written. What earlier turns achieved corrects
the turn (nose_response.py); a shim is as thick as it is measured, so nothing is learned from shims.
"""

from decimal import ROUND_HALF_UP, Context, Decimal, Inexact, localcontext
from typing import Final, Literal

from msgspec import Struct

from service.domain.decision import conformity_probability
from service.domain.event.sheets import NoAdjust, NoseTorque, ShimAdjust, ThreadAdjust
from service.domain.finding import Limits, show_quotient
from service.domain.nose_response import ObservedTurn, Response, expected_response, lead_inwards
from service.domain.quantity import EXACT, Quantity, ShownQuantity, shown, shown_rounded
from service.domain.sheet import Revision, depth_limits
from service.domain.uncertainty import COVERAGE_FACTOR, NEAR, combined
from service.domain.verdict import MeasuredDepth, SettingVerdict

CAUTIONS: Final = (
    "The site's procedure and the maker's instructions come first; where they differ from this text, follow them.",
    "The spring stack and the hydraulics hold energy with the power off.",
    "Setting needs the release stroke under power, so locking out alone does not cover it: "
    "keep hands and tools out of the release stroke.",
    "Gravity axes can drop and the tool magazine can move.",
    "Local rules and qualified people decide; this text does not say that the machine is safe.",
)
"""The cautions of every work instruction, job sheet and due notice."""

FIND_OUT_FIRST: Final = (
    "Before adjusting, find out why the depth moved: look at the o-ring, the seating of every segment, "
    "the contact faces and the torque of the nose."
)

_BETTER_GAUGE: Final = (
    "Measure again with a gauge whose repeatability is stated and whose uncertainty is smaller: "
    "turning the nose cannot decide this one."
)

_CURES: Final = {
    "not_released": "release the draw bar before measuring",
    "not_clamped": "clamp the draw bar on the force gauge before pulling",
    "gauge_unknown": "name the gauge and have it registered, or take one that is",
    "gauge_wrong_kind": "take a gauge made for this measurement",
    "gauge_not_zeroed": "zero the gauge before measuring and record it",
    "gauge_overdue": "have the gauge calibrated, or take one in calibration",
    "gauge_withdrawn": "take another gauge: this one has been withdrawn",
    "gauge_not_capable": "take a gauge whose expanded uncertainty is within what the sheet allows",
    "too_few_readings": "take two readings 180 degrees apart",
    "readings_not_opposed": "take the readings opposed, 180 degrees apart",
    "spread_too_wide": "clean the rest faces and the gauge's seat and look for a segment that is not seated",
    "rebuild_incomplete": "complete the rebuild (segments seated, o-ring, parts) and record it",
    "too_few_pulls": "make as many pulls as the sheet asks",
}
_TENTH: Final = Decimal("0.1")
TURNS_MAX: Final = 5
"""Beyond so many turns of the thread a slip is likelier than a depth: no turn is advised. Ours; no published source."""
_CHECK_THE_READING: Final = (
    f"The reading lies more than {TURNS_MAX} turns of the thread from the target: check the readings, their unit and "
    "the gauge's zero, then measure again before anything is turned."
)

In = Literal["in", "out"]
Rotation = Literal["clockwise", "counterclockwise"]


class ShimChange(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A shim to exchange: by how much (mm, a magnitude), to which side, and in how many of the sheet's steps."""

    change: ShownQuantity
    to: Literal["thicker", "thinner"]
    steps: int


class ResponseUsed(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """By what the turn was corrected: the depth moves by `factor` times what the thread gives; u is its uncertainty.

    `learned_from` are the entries of the adjustments that showed it; without one the factor is 1, the thread itself.
    """

    factor: str
    u: str
    learned_from: tuple[int, ...]


class ExpectedDepth(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Between which depths the next measurement with this gauge is expected: `expected_depth` -+ k u."""

    lower: ShownQuantity
    upper: ShownQuantity
    u: ShownQuantity
    k: str


class Instruction(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to do next. `missing` names what the sheet lacks where advice is refused; then nothing is computed.

    `probability_one_turn_suffices`: that the depth measured after this turn lies within what the rule accepts. It and
    `expected_interval` are null where the gauge's repeatability is not stated.
    """

    turn: ShownQuantity | None = None
    direction: In | None = None
    rotation_from_front: Rotation | None = None
    shim: ShimChange | None = None
    expected_depth: ShownQuantity | None = None
    expected_interval: ExpectedDepth | None = None
    probability_one_turn_suffices: str | None = None
    response: ResponseUsed | None = None
    missing: tuple[str, ...] = ()
    first: str | None = None
    then: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS


def advise_setting(
    verdict: SettingVerdict, *, revision: Revision, at_recheck: bool, observed: tuple[ObservedTurn, ...] = ()
) -> Instruction | None:
    """The instruction for a nonconforming or undecided setting; None where it conforms or proves nothing.

    Undecided for want of a stated uncertainty and inside the limits, by a gauge with which the rule can accept
    nothing, or closer to the target than can be set: measuring with a better known gauge helps, turning does not.
    `observed` are the earlier turns of this nose.
    """
    if verdict.outcome not in ("nonconforming", "undecided"):
        return None
    first = FIND_OUT_FIRST if at_recheck else None
    if _nothing_can_be_accepted(verdict) or (verdict.uncertainty is None and not verdict.outside):
        return Instruction(first=first, then=(_BETTER_GAUGE,))
    adjust = revision.issued.adjust
    match adjust:
        case NoAdjust():
            return Instruction(first=first, then=("Replace the clamping set, or send the spindle away for repair.",))
        case None:
            return _refused(("adjust",), first)
        case ThreadAdjust():
            return _by_thread(verdict, revision, adjust, first, observed)
        case ShimAdjust():
            return _by_shim(verdict, revision, adjust, first)


def cure_reasons(reasons: tuple[str, ...], *, revision: Revision) -> tuple[str, ...]:
    """For a measurement that is not admissible: one sentence per reason that cures it, then to measure again."""
    sentences = [_cure(code, revision) for code in reasons]
    return (*sentences, "Then measure again.") if sentences else ()


def target_depth(revision: Revision) -> Decimal:
    """Where to aim, in mm: the sheet's target, else the middle of the limits, exactly."""
    stated = depth_limits(revision)
    if stated.target is not None:
        return stated.target.base
    with localcontext(EXACT):
        return (2 * stated.nominal.base + stated.lower.base + stated.upper.base) / 2


def thread_turn(target_mm: Decimal, depth: MeasuredDepth, lead_mm: Decimal) -> Decimal:
    """The turn in degrees, a magnitude: |target - y| / lead x 360, the lead being pitch times starts."""
    with localcontext(EXACT):
        total = abs(target_mm * depth.divisor - depth.total_mm) * 360
        divisor = lead_mm * depth.divisor
    return NEAR.divide(total, divisor)


def thread_direction(
    *, deeper: bool, turning_in: Literal["increases_depth", "reduces_depth"], hand: Literal["right", "left"]
) -> tuple[In, Rotation]:
    """Which way to turn so that the depth grows (`deeper`) or shrinks, and the rotation seen from the front.

    A right-hand thread turned clockwise moves away from who turns it, so seen from the front in is clockwise.
    """
    inwards = deeper == (turning_in == "increases_depth")
    clockwise = inwards == (hand == "right")
    return ("in" if inwards else "out"), ("clockwise" if clockwise else "counterclockwise")


def _nothing_can_be_accepted(verdict: SettingVerdict) -> bool:
    """Undecided because the gauge is not good enough for the rule, wherever the depth lies."""
    if verdict.outcome != "undecided":
        return False
    lower, upper = _acceptance(verdict)
    return verdict.rule.name == "ratio" or (lower is not None and upper is not None and lower > upper)


def _acceptance(verdict: SettingVerdict) -> tuple[Decimal | None, Decimal | None]:
    """Between which depths the rule accepts, in mm."""
    limits: Limits = verdict.acceptance or verdict.limits
    lower, upper = (None if side is None else Decimal(side.value) for side in (limits.lower, limits.upper))
    return lower, upper


def _by_thread(
    verdict: SettingVerdict,
    revision: Revision,
    adjust: ThreadAdjust,
    first: str | None,
    observed: tuple[ObservedTurn, ...],
) -> Instruction:
    stated = {name: getattr(adjust, name) for name in ("pitch", "starts", "hand", "turning_in")}
    missing = [f"adjust.{name}" for name, value in stated.items() if value is None]
    missing += _torque_missing(revision)
    lead = lead_inwards(adjust)
    if missing or lead is None or adjust.hand is None or adjust.turning_in is None:
        return _refused(tuple(missing), first)
    target, depth = target_depth(revision), verdict.depth
    with localcontext(EXACT):
        deeper = target * depth.divisor > depth.total_mm
    response = expected_response(observed, lead)
    turn = _to_a_tenth(NEAR.divide(thread_turn(target, depth, abs(lead)), response.factor))
    if turn == 0:
        return Instruction(first=first, then=(_BETTER_GAUGE,))
    if turn > TURNS_MAX * 360:
        return Instruction(first=first, then=(_CHECK_THE_READING,))
    direction, rotation = thread_direction(deeper=deeper, turning_in=adjust.turning_in, hand=adjust.hand)
    interval, probability = _outlook(verdict, target, response)
    return Instruction(
        turn=shown(turn, "deg"),
        direction=direction,
        rotation_from_front=rotation,
        expected_depth=shown(target, "mm"),
        expected_interval=interval,
        probability_one_turn_suffices=probability,
        response=ResponseUsed(
            factor=_significant(response.factor), u=_significant(response.u), learned_from=response.learned_from
        ),
        first=first,
        then=(
            "First loosen the nose.",
            f"Then turn the nose {turn:f} deg {direction}, {rotation} seen from the front{_why(response)}.",
            *_after_adjusting(revision),
        ),
    )


def _why(response: Response) -> str:
    if not response.learned_from:
        return ""
    count = len(response.learned_from)
    turns = "the turn before" if count == 1 else f"the {count} turns before"
    return f" (by the thread, and by what {turns} did: {response.factor * 100:.0f} % of what the thread gives)"


def _outlook(verdict: SettingVerdict, target: Decimal, response: Response) -> tuple[ExpectedDepth | None, str | None]:
    """Where the next measurement will lie, and how likely within what the rule accepts; both None where u is unknown.

    u of that measurement combines this one's own part and the next one's, taken as alike (the same gauge, as many
    readings; what both share moves both and the limits' verdict with them), and that of the response over the way to
    go (JCGM 100:2008, 5.1.2). The probability is that of a normal quantity (JCGM 106:2012, 7.4).
    """
    own, depth = verdict.depth.u_own_mm, verdict.depth
    if own is None:
        return None, None
    with localcontext(NEAR):
        way = abs(target - depth.total_mm / depth.divisor)
        u = combined([own, own, way * response.u / response.factor])
        low, high = target - COVERAGE_FACTOR * u, target + COVERAGE_FACTOR * u
    interval = ExpectedDepth(
        lower=show_quotient(low, 1, "mm", exact=False),
        upper=show_quotient(high, 1, "mm", exact=False),
        u=shown_rounded(u, "mm"),
        k=str(COVERAGE_FACTOR),
    )
    lower, upper = _acceptance(verdict)
    probability = max(0.0, conformity_probability(y=target, u=u, lower=lower, upper=upper))
    return interval, f"{probability:.6f}"


def _significant(value: Decimal) -> str:
    """A number that was never exact, to six significant digits."""
    return format(Context(prec=6).plus(value), "f")


def _by_shim(verdict: SettingVerdict, revision: Revision, adjust: ShimAdjust, first: str | None) -> Instruction:
    missing = [f"adjust.{name}" for name in ("step", "thicker") if getattr(adjust, name) is None]
    missing += _torque_missing(revision)
    if missing or adjust.step is None or adjust.thicker is None:
        return _refused(tuple(missing), first)
    target, depth, step = target_depth(revision), verdict.depth, adjust.step.base
    with localcontext(EXACT):
        wanted = target * depth.divisor - depth.total_mm
        per_step = step * depth.divisor
        steps = int((2 * abs(wanted) + per_step) // (2 * per_step))
        change = step * steps
        expected = depth.total_mm + (change if wanted > 0 else -change) * depth.divisor
    if steps == 0:
        return Instruction(first=first, then=(_BETTER_GAUGE,))
    to: Literal["thicker", "thinner"] = (
        "thicker" if (wanted > 0) == (adjust.thicker == "increases_depth") else "thinner"
    )
    return Instruction(
        shim=ShimChange(change=shown(change, "mm"), to=to, steps=steps),
        expected_depth=show_quotient(expected, depth.divisor, "mm"),
        first=first,
        then=(
            "First loosen the nose and take the shim out.",
            f"Then fit a shim {change:f} mm {to}.",
            *_after_adjusting(revision),
        ),
    )


def _after_adjusting(revision: Revision) -> list[str]:
    steps = []
    nominal = torque_nominal(revision)
    if nominal is not None:
        steps.append(f"Then torque {nominal.value:f} {nominal.unit} on the nose.")
    cycles = revision.issued.run_in_cycles
    if cycles is None:
        steps.append("Then run in as the maker asks: the sheet does not say by how many cycles.")
    elif isinstance(cycles, int) and cycles > 0:
        steps.append(f"Then run in {cycles} cycles, each one release and one clamp.")
    steps.append("Then measure again, with the gauge zeroed and the draw bar released.")
    return steps


def torque_nominal(revision: Revision) -> Quantity | None:
    """The nominal torque, None where there is none or it lies above the sheet's own maximum."""
    stated = revision.issued.nose_torque
    if not isinstance(stated, NoseTorque) or stated.nominal is None:
        return None
    if stated.maximum is not None and stated.nominal.base > stated.maximum.base:
        return None
    return stated.nominal


def _torque_missing(revision: Revision) -> list[str]:
    """What the sheet lacks about the torque; a nominal above its maximum is as good as missing."""
    if revision.issued.nose_torque == "not_applicable" or torque_nominal(revision) is not None:
        return []
    return ["nose_torque.nominal"]


def _refused(missing: tuple[str, ...], first: str | None) -> Instruction:
    return Instruction(
        missing=missing,
        first=first,
        then=(f"Have the setting sheet completed before adjusting: it does not usably state {', '.join(missing)}.",),
    )


def _cure(code: str, revision: Revision) -> str:
    if code in ("not_torqued", "torque_out_of_limits"):
        nominal = torque_nominal(revision)
        value = "as the maker says" if nominal is None else f"{nominal.value:f} {nominal.unit}"
        done = f"torque {value} on the nose"
        cycles = revision.issued.run_in_cycles
        return _sentence(f"{done} and run in {cycles} cycles" if isinstance(cycles, int) and cycles else done)
    if code == "not_run_in":
        return _sentence(f"run in {revision.issued.run_in_cycles} cycles, each one release and one clamp")
    return _sentence(_CURES[code])


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _to_a_tenth(value: Decimal) -> Decimal:
    """The value rounded to 0.1, without a fraction of zero: 24.0 as 24."""
    with localcontext(EXACT) as rounding:
        rounding.traps[Inexact] = False
        tenths = value.quantize(_TENTH, rounding=ROUND_HALF_UP)
        whole = tenths.to_integral_value()
    return whole if whole == tenths else tenths
