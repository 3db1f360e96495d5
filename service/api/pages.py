"""Lists in pages: how many items, from which cursor on, and where the next ones are."""

from typing import Annotated, Any, Final, Generic, TypeVar, cast
from urllib.parse import urlencode

import msgspec
from litestar import Request, Response
from litestar.params import QueryParameter
from msgspec import Struct

from service.api.conditional import Told, respond, told
from service.cursors import read_cursor, write_cursor

_T = TypeVar("_T")

Limit = Annotated[int, QueryParameter(ge=1, le=1000, description="how many items at most")]
Cursor = Annotated[str | None, QueryParameter(description="the `next` of the page before")]
_KEY: Final = r"^[A-Za-z0-9][A-Za-z0-9._~-]{0,63}(?!\n)$"
Name = Annotated[str | None, QueryParameter(pattern=_KEY)]
Prefix = Annotated[str | None, QueryParameter(pattern=_KEY, description="how the key begins")]


class Page(Struct, Generic[_T], frozen=True, kw_only=True):
    """Some items of a list, and the cursor of the next ones or null."""

    items: list[_T]
    next: str | None


def paged(request: Request[Any, Any, Any], items: list[_T], following: str | None) -> Response[Page[_T]]:
    """A page with its ETag, and a link to the next one where there is one (RFC 8288)."""
    return cast(Response[Page[_T]], respond(request, page_told(request, items, following)))


def page_told(request: Request[Any, Any, Any], items: list[_T], following: str | None) -> Told:
    """The same as it goes out to whoever asks."""
    headers = {} if following is None else next_link(request, "cursor", following)
    return told(Page(items=items, next=following), headers=headers)


def next_link(request: Request[Any, Any, Any], parameter: str, following: str) -> dict[str, str]:
    """The header that leads on, by a cursor in that parameter, with the same filters."""
    kept = [(name, value) for name, value in request.query_params.multi_items() if name != parameter]
    return {"Link": f'<{request.url.path}?{urlencode([*kept, (parameter, following)])}>; rel="next"'}


def cursor_after(path: str, place: int | str) -> str:
    """The cursor of a list whose order is one number or name, and which is told by its path alone."""
    return write_cursor([path], [place])


def place_of(path: str, cursor: str | None, kind: type[_T]) -> _T | None:
    """The number or name after which such a list goes on, None at its start. Raises CursorMalformed."""
    return None if cursor is None else cast(_T, read_cursor([path], [kind], cursor)[0])


def part_of(request: Request[Any, Any, Any], whole: list[_T], limit: int, cursor: str | None) -> Response[Page[_T]]:
    """A page of a list that is made whole for each question; its cursor is bound to that question."""
    asked = [
        request.url.path,
        *(
            f"{name}={value}"
            for name, value in sorted(request.query_params.multi_items())
            if name not in ("cursor", "limit")
        ),
    ]
    begin = 0 if cursor is None else cast(int, read_cursor(asked, [int], cursor)[0])
    end = begin + limit
    return paged(request, whole[begin:end], write_cursor(asked, [end]) if end < len(whole) else None)


def without_nothing(value: Any) -> dict[str, Any]:
    """A struct's members as they are written, without those that were not stated."""
    members = ((each.encode_name, getattr(value, each.name)) for each in msgspec.structs.fields(value))
    return {
        name: without_nothing(member) if isinstance(member, Struct) else member
        for name, member in members
        if member is not None
    }
