"""Lists with optional filters, a sort and a cursor: SQLAlchemy Core, compiled once per shape to `$n` SQL.

Rules of this file
- Filters and sorts come from closed lists (`listed_*.py`); nothing a caller writes becomes SQL.
- A page begins after the sort values of the last row before it (never at an offset), and the last of them is unique:
  sorted by what does not change, a walk meets everything once, whatever is written meanwhile.
- What time alone changes (health, a recheck's state) may be stored late: such rows pass every filter on it here, and
  the reader settles them and lets go what does not fit.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final, TypeVar

import sqlalchemy as sa
from msgspec import Struct
from sqlalchemy.dialects.postgresql import asyncpg

from service.cursors import read_cursor, write_cursor
from service.postgres import Statement, Transaction

_T = TypeVar("_T")

PORTIONS_MAX: Final = 20
"""How often a page that lets rows go is filled up before it is answered short, with a cursor to go on from."""
_DIALECT: Final = asyncpg.dialect(paramstyle="named")  # type: ignore[no-untyped-call]


class Sort(Struct, frozen=True, kw_only=True):
    """An order, of all columns ascending or all descending. The last tells every row apart; none is ever null.

    `source` stands in for what the listing selects from where the order needs more than that.
    """

    columns: tuple[sa.ColumnElement[Any], ...]
    source: sa.FromClause | None = None
    descending: bool = False

    def kinds(self) -> list[type]:
        """What a cursor's values are."""
        return [str if isinstance(column.type, sa.Text) else int for column in self.columns]


class Listing(Struct, frozen=True, kw_only=True):
    """What can be listed: columns and joins, and the closed lists of filters and sorts.

    Listings that are `walked_as` one take each other's cursors.
    """

    name: str
    select: sa.Select[Any]
    filters: Mapping[str, sa.ColumnElement[bool]]
    sorts: Mapping[str, Sort]
    walked_as: str | None = None


class Asked(Struct, frozen=True, kw_only=True):
    """One page asked for: filters without a value are left out of the statement."""

    listing: Listing
    filters: Mapping[str, Any]
    sort: str
    limit: int
    cursor: str | None = None

    def given(self) -> dict[str, Any]:
        return {name: value for name, value in self.filters.items() if value is not None}

    def question(self) -> list[Any]:
        """What a cursor belongs to."""
        return [self.listing.walked_as or self.listing.name, self.sort, sorted(self.given().items())]


async def page(tx: Transaction, asked: Asked, show: Callable[[Any], _T | None]) -> tuple[list[_T], str | None]:
    """The items of a page and the cursor of the next, or None at the end. A row shown as None is let go.

    Raises CursorMalformed.
    """
    given = asked.given()
    kinds = asked.listing.sorts[asked.sort].kinds()
    after = None if asked.cursor is None else read_cursor(asked.question(), kinds, asked.cursor)
    items: list[_T] = []
    for _ in range(PORTIONS_MAX):
        wanted = asked.limit - len(items)
        statement = statement_of(asked.listing, frozenset(given), asked.sort, further=after is not None)
        begins = {} if after is None else {f"after_{place}": value for place, value in enumerate(after)}
        values = {**given, **begins, "now": tx.now, "rows": wanted + 1}
        rows = await tx.rows(statement, **{bind: values[bind] for bind in statement.binds})
        for row in rows[:wanted]:
            after = [row[f"sort_{place}"] for place in range(len(kinds))]
            item = show(row)
            if item is not None:
                items.append(item)
        if len(rows) <= wanted:
            return items, None
        if len(items) == asked.limit:
            break
    assert after is not None
    return items, write_cursor(asked.question(), after)


_COMPILED: Final[dict[tuple[str, frozenset[str], str, bool], Statement]] = {}


def statement_of(listing: Listing, filters: frozenset[str], sort: str, *, further: bool) -> Statement:
    """The statement of one shape, compiled when it is first asked for; `further` begins after a row."""
    shape = (listing.name, filters, sort, further)
    statement = _COMPILED.get(shape)
    if statement is None:
        statement = _COMPILED[shape] = _compile(listing, filters, sort, further=further)
    return statement


def _compile(listing: Listing, filters: frozenset[str], sort: str, *, further: bool) -> Statement:
    order = listing.sorts[sort]
    columns, source = order.columns, order.source
    built = listing.select.add_columns(*(column.label(f"sort_{place}") for place, column in enumerate(columns)))
    if source is not None:
        built = built.select_from(source)
    for name in sorted(filters):
        built = built.where(listing.filters[name])
    if further:
        begins = [sa.bindparam(f"after_{place}", type_=column.type) for place, column in enumerate(columns)]
        place, after = sa.tuple_(*columns), sa.tuple_(*begins)
        built = built.where(place < after if order.descending else place > after)
    built = built.order_by(*(column.desc() for column in columns) if order.descending else columns).limit(
        sa.bindparam("rows", type_=sa.Integer)
    )
    return Statement(f"list of {listing.name}", str(built.compile(dialect=_DIALECT)))


def every_shape(listings: Sequence[Listing]) -> Iterator[Statement]:
    """Each sort of each list, from the start and further on, without a filter, with each one and with all."""
    for listing in listings:
        alone = [frozenset({name}) for name in listing.filters]
        for filters in (frozenset[str](), *alone, frozenset(listing.filters)):
            for sort in listing.sorts:
                for further in (False, True):
                    yield statement_of(listing, filters, sort, further=further)
