"""A refusal: what came in cannot be taken, under a stable code and with the place that is at fault."""

from collections.abc import Sequence

from msgspec import Struct


class Fault(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One place at fault: `pointer` is a JSON pointer (RFC 6901) into the body, or `parameter` a name in the query.

    In a body of XML it is a `line` and a `column`, both from 1.
    """

    pointer: str | None = None
    parameter: str | None = None
    line: int | None = None
    column: int | None = None
    code: str
    detail: str


class Refusal(Exception):
    """Raised by the rule that refuses. Subclasses set `code`; `faults` name the places."""

    code = "refused"

    def __init__(
        self, detail: str, *, pointer: str | None = None, parameter: str | None = None, faults: Sequence[Fault] = ()
    ) -> None:
        super().__init__(detail)
        self.detail = detail
        if not faults and (pointer is not None or parameter is not None):
            faults = (Fault(pointer=pointer, parameter=parameter, code=self.code, detail=detail),)
        self.faults = tuple(faults)
