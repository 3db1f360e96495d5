"""Lists in pages: how many items, from which cursor on, and the cursor of the next page."""

from typing import Annotated, Generic, TypeVar

from litestar.params import QueryParameter
from msgspec import Struct

from service.domain.refusal import Refusal

_T = TypeVar("_T")

Limit = Annotated[int, QueryParameter(ge=1, le=1000, description="how many items at most")]
Cursor = Annotated[str | None, QueryParameter(description="the `next` of the page before")]


class CursorMalformed(Refusal):
    """A cursor that no list of ours gave out."""

    code = "cursor_malformed"


class Page(Struct, Generic[_T], frozen=True, kw_only=True):
    """Some items of a list, and the cursor of the next ones or null."""

    items: list[_T]
    next: str | None
