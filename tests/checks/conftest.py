"""The evaluations, for the checks that ask them over HTTP."""

import pytest

from tests.checks.asking import Asking


@pytest.fixture
def ask(database_url: str) -> Asking:
    return Asking(database_url)
