"""How an operation is told of in the document: a line, its refusals, what is answered."""

from typing import Any, Final, Literal

from msgspec import Struct

JSON: Final = "application/json"


class Answer(Struct, frozen=True, kw_only=True):
    """One answer of success. `schemas` by media type; without any, what the handler returns, or nothing at all."""

    text: str
    schemas: dict[str, Any] | None = None
    headers: tuple[str, ...] = ()


class Told(Struct, frozen=True, kw_only=True):
    """`codes` are the problems besides those that the key, parameters and body of any such operation can bring.

    `guarded` where If-Match may or must say what is to be changed; `streamed` says what the events are where the answer
    can be server-sent events too.
    """

    line: str
    codes: tuple[str, ...] = ()
    answers: dict[int, Answer] = {}
    bodies: dict[str, Any] | None = None
    conditional: bool = False
    without_database: bool = False
    paged: bool = False
    guarded: Literal["may", "must"] | None = None
    streamed: str | None = None


OF_THE_NEW: Final = ("Location", "ETag", "CacheControl")
"""The headers of what was made."""
