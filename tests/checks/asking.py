"""A check's inputs and expected values, and the evaluations of a service in this process."""

from decimal import Decimal
from typing import Any

import pytest

from tests.checks.published import CHECKS
from tests.running import Json, running


def dec(value: float | str) -> Decimal:
    return Decimal(str(value))


def given(check: str) -> Any:
    return CHECKS[check]["inputs"]


def near(check: str, name: str) -> Any:
    """The expected value of a check, with its own tolerance."""
    tolerance = CHECKS[check]["tolerance"]
    return pytest.approx(
        CHECKS[check]["expected"][name], abs=tolerance[name] if isinstance(tolerance, dict) else tolerance
    )


class Asking:
    """The evaluations of a service in this process."""

    def __init__(self, url: str) -> None:
        self._url = url

    async def __call__(self, what: str, **question: Any) -> Json:
        async with running(self._url) as ledger:
            answer = await ledger.client.post(f"/v1/evaluations/{what}", json=question)
            assert answer.status_code == 200, answer.text
            found: Json = answer.json()
            return found
