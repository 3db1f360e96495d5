"""What schemathesis has to be told, where it is run by hand: how lines are sent, and not to end the key it goes by."""

from typing import Any

import schemathesis

OWN_KEY = 1
ANOTHER = 1_000_000


def lines(_context: Any, value: Any) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode()


def before_call(_context: Any, case: Any, _kwargs: dict[str, Any]) -> None:
    """The first administrator's key is the first key."""
    if case.method == "DELETE" and str(case.path_parameters.get("number")) == str(OWN_KEY):
        case.path_parameters["number"] = ANOTHER


schemathesis.serializer("application/x-ndjson")(lines)
schemathesis.hook(before_call)
