"""A spindle whose nose is turned and measured again and again: the teller of the tests of what turns teach."""

from decimal import Decimal
from typing import Any

from service.domain.quantity import ShownQuantity
from service.domain.step import Step
from service.domain.turn import Instruction
from tests.domain.one_spindle import Spindle
from tests.domain.skerrow import gauge, mm, q

LEAD = Decimal("1.5")


def begun(**changes: Any) -> Spindle:
    """Rebuilt, torqued, run in."""
    spindle = Spindle(**changes)
    spindle.rebuild()
    spindle.prepare()
    return spindle


def turn(spindle: Spindle, degrees: str, direction: str, depth: str, **changes: Any) -> Step:
    """Turned, torqued, run in and measured again."""
    spindle.tell("nose.adjusted", {"turn": q(degrees, "deg"), "direction": direction})
    spindle.prepare()
    return spindle.measure(depth, **changes)


def told(step: Step) -> Instruction:
    assert step.instruction is not None
    return step.instruction


def codes(step: Step) -> list[str]:
    return [finding.code for finding in step.findings]


U_DIFFERENCE = (2 * (0.004**2 / 2 + (0.01**2 / 12) / 2)) ** 0.5
"""Of two means of two readings of the invented gauge: repeatability 0.004 mm, resolution 0.01 mm (in mm)."""


def finely(spindle: Spindle) -> Spindle:
    """With a gauge that leaves next to no doubt."""
    spindle.known.gauges["DG-03"] = gauge("permitted_error", repeatability=mm("0.001"), resolution=mm("0.001"))
    return spindle


def learned(spindle: Spindle) -> int:
    return len(spindle.state.observed_turns)


def as_float(value: ShownQuantity | None) -> float:
    assert value is not None
    return float(value.value)
