"""Lists with optional filters, a sort and a cursor: SQLAlchemy Core, compiled once per shape to `$n` SQL.

Rules of this file
- Filters and sorts come from the closed lists below; nothing a caller writes becomes SQL.
- A page begins after the sort values of the last row before it (never at an offset), and the last of them is unique:
  sorted by what does not change, a walk meets everything once, whatever is written meanwhile.
- What time alone changes (health, a recheck's state) may be stored late: such rows pass every filter on it here, and
  the reader settles them and lets go what does not fit.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final, TypeVar

import sqlalchemy as sa
from msgspec import Struct, structs
from sqlalchemy.dialects.postgresql import ARRAY, asyncpg

from service.cursors import LAST, read_cursor, write_cursor
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


def every_shape(listings: Sequence[Listing] | None = None) -> Iterator[Statement]:
    """Each sort of each list, from the start and further on, without a filter, with each one and with all."""
    for listing in LISTINGS if listings is None else listings:
        alone = [frozenset({name}) for name in listing.filters]
        for filters in (frozenset[str](), *alone, frozenset(listing.filters)):
            for sort in listing.sorts:
                for further in (False, True):
                    yield statement_of(listing, filters, sort, further=further)


def _table(schema: str, name: str, **columns: Any) -> sa.FromClause:
    return sa.table(name, *(sa.column(column, kind) for column, kind in columns.items()), schema=schema).alias(name)


def _among(column: sa.ColumnElement[Any], name: str) -> sa.ColumnElement[bool]:
    return column == sa.any_(sa.bindparam(name, type_=ARRAY(sa.Text)))


def _is(column: sa.ColumnElement[Any], name: str) -> sa.ColumnElement[bool]:
    return column == sa.bindparam(name, type_=column.type)


def _begins(column: sa.ColumnElement[Any], name: str) -> sa.ColumnElement[bool]:
    return sa.func.starts_with(column, sa.bindparam(name, type_=sa.Text))


def _rank(column: sa.ColumnElement[Any], *words: str) -> sa.ColumnElement[int]:
    """The place of a word in its order; what is not in it comes last."""
    places = ((column == sa.literal_column(f"'{word}'"), place) for place, word in enumerate(words))
    whens = [(condition, sa.literal_column(str(place), sa.BigInteger)) for condition, place in places]
    return sa.cast(sa.case(*whens, else_=sa.literal_column(str(len(words)), sa.BigInteger)), sa.BigInteger)


def _microseconds(column: sa.ColumnElement[Any]) -> sa.ColumnElement[int]:
    """A time as a whole number, nothing as the last there is."""
    epoch = sa.cast(sa.extract("epoch", column) * sa.literal_column("1000000"), sa.BigInteger)
    return sa.func.coalesce(epoch, _NEVER, type_=sa.BigInteger)


_NEVER: Final = sa.literal_column(str(LAST), sa.BigInteger)
_TIME: Final = sa.DateTime(timezone=True)
_NOW: Final = sa.bindparam("now", type_=_TIME)

_SUBJECT = _table("ledger", "subject", subject=sa.Integer, kind=sa.Text, key=sa.Text, sequence=sa.BigInteger)
_SPINDLE = _table(
    "derived",
    "spindle",
    subject=sa.Integer,
    fold=sa.SmallInteger,
    sequence=sa.BigInteger,
    settlements=sa.BigInteger,
    **dict.fromkeys(("key", "plant", "hall", "machine", "position", "sheet", "lifecycle", "health"), sa.Text),
    **dict.fromkeys(("clearance", "folded", "told_health"), sa.Text),
    reasons=ARRAY(sa.Text),
    **dict.fromkeys(("newest_fact", "settled_at", "next_look"), _TIME),
    untold=sa.Boolean,
)
_COUNTER = _table("derived", "counter", subject=sa.Integer, reading=sa.BigInteger, read_at=_TIME, count=sa.BigInteger)
_RECHECK = _table(
    "derived",
    "recheck",
    **dict.fromkeys(("episode", "code", "state", "body"), sa.Text),
    subject=sa.Integer,
    due_at=_TIME,
    due_count=sa.BigInteger,
    anchor=sa.BigInteger,
)
_EXPECTED = _table(
    "derived",
    "expected",
    episode=sa.Text,
    **dict.fromkeys(("median", "p80_from", "p80_to", "p95_from", "p95_to"), _TIME),
)
_MEASUREMENT = _table(
    "derived",
    "measurement",
    subject=sa.Integer,
    sequence=sa.BigInteger,
    occurred=_TIME,
    **dict.fromkeys(("kind", "gauge", "outcome", "verdict"), sa.Text),
)

_LATE: Final = _SPINDLE.c.next_look <= _NOW
_PRESSING: Final = ("overdue", "due", "open", "deferred", "waiting")
_CYCLES_LEFT: Final = sa.func.coalesce(_RECHECK.c.due_count - _COUNTER.c.count, _NEVER, type_=sa.BigInteger)
_OF_SPINDLE: Final = (
    *(_SPINDLE.c[name] for name in ("fold", "sequence", "newest_fact", "settled_at", "settlements", "next_look")),
    *(_SPINDLE.c[name] for name in ("key", "plant", "hall", "machine", "sheet", "told_health", "untold")),
    _LATE.label("late"),
    *(_COUNTER.c.reading, _COUNTER.c.read_at, _COUNTER.c.count),
)
_FOLDED_IF_LATE: Final = sa.case((_LATE, _SPINDLE.c.folded)).label("folded")
_WITH_COUNTER: Final = _SPINDLE.join(_COUNTER, _COUNTER.c.subject == _SPINDLE.c.subject)


def _most_pressing() -> Sort:
    """Of a spindle's rechecks the one that is due soonest: its state, its day, the cycles left to it."""
    order = (_rank(_RECHECK.c.state, *_PRESSING), _microseconds(_RECHECK.c.due_at), _CYCLES_LEFT)
    mine = sa.select(*(column.label(f"press_{place}") for place, column in enumerate(order)))
    mine = mine.where(_RECHECK.c.subject == _SPINDLE.c.subject, _active(_RECHECK.c.state))
    mine = mine.order_by(*order).limit(sa.literal_column("1")).correlate(_SPINDLE, _COUNTER)
    pressing = mine.lateral("pressing")
    none = (sa.literal_column(str(len(_PRESSING)), sa.BigInteger), _NEVER, _NEVER)
    columns = (sa.func.coalesce(pressing.c[n], nothing, type_=sa.BigInteger) for n, nothing in enumerate(none))
    return Sort(columns=(*columns, _SPINDLE.c.key), source=_WITH_COUNTER.outerjoin(pressing, sa.true()))


def _active(state: sa.ColumnElement[Any]) -> sa.ColumnElement[bool]:
    return state.in_([sa.literal_column(f"'{word}'", sa.Text) for word in _PRESSING])


_DUE_BEFORE: Final = sa.or_(
    _RECHECK.c.state.in_([sa.literal_column("'overdue'"), sa.literal_column("'due'")]),
    sa.and_(_active(_RECHECK.c.state), _RECHECK.c.due_at < sa.bindparam("due_before", type_=_TIME)),
)
_IN_THE_ROW: Final[Mapping[str, sa.ColumnElement[bool]]] = {
    **{name: _is(_SPINDLE.c[name], name) for name in ("plant", "hall", "machine", "position", "sheet")},
    **{name: _among(_SPINDLE.c[name], name) for name in ("health", "clearance", "lifecycle")},
    "prefix": _begins(_SPINDLE.c.key, "prefix"),
    "due_before": sa.exists().where(_RECHECK.c.subject == _SPINDLE.c.subject, _DUE_BEFORE),
    "plants": _among(_SPINDLE.c.plant, "plants"),
}
"""Filters on what is stored: right where no state is late."""
_OF_SPINDLES: Final = {
    **_IN_THE_ROW,
    **{name: sa.or_(_IN_THE_ROW[name], _LATE) for name in ("health", "clearance", "due_before")},
}
_HEALTH_WORST_FIRST: Final = _rank(
    _SPINDLE.c.health, "failure", "out_of_specification", "function_check", "maintenance_required", "normal"
)
_UPWARDS: Final = {
    "key": Sort(columns=(_SPINDLE.c.key,)),
    "health": Sort(columns=(_HEALTH_WORST_FIRST, _SPINDLE.c.key)),
    "due": _most_pressing(),
}
_SORTS_OF_SPINDLES: Final = _UPWARDS | {
    f"-{name}": structs.replace(sort, descending=True) for name, sort in _UPWARDS.items()
}

SPINDLES: Final = Listing(
    name="spindles",
    select=sa.select(*_OF_SPINDLE, _SPINDLE.c.folded, _SUBJECT.c.sequence.label("newest"))
    .select_from(_WITH_COUNTER)
    .join(_SUBJECT, _SUBJECT.c.subject == _SPINDLE.c.subject),
    filters=_OF_SPINDLES,
    sorts=_SORTS_OF_SPINDLES,
)
"""Whole spindles, to be shown with all that is derived of them."""

_SHORT: Final = (_SPINDLE.c.key, _SPINDLE.c.health, _SPINDLE.c.clearance, _SPINDLE.c.reasons)

HEALTH: Final = Listing(
    name="health",
    select=sa.select(*_SHORT).select_from(_SPINDLE),
    filters=_IN_THE_ROW,
    sorts=_SORTS_OF_SPINDLES,
)
"""The health of the same spindles from its columns alone, where none is late."""

LATE_HEALTH: Final = Listing(
    name="health, where some are late",
    select=sa.select(*_OF_SPINDLE, *_SHORT[1:], _FOLDED_IF_LATE, _SUBJECT.c.sequence.label("newest"))
    .select_from(_WITH_COUNTER)
    .join(_SUBJECT, _SUBJECT.c.subject == _SPINDLE.c.subject),
    filters=_OF_SPINDLES,
    sorts=_SORTS_OF_SPINDLES,
    walked_as="health",
)
"""The same with the folded state of those that have to be settled first."""

_LATE_AND_ACTIVE: Final = sa.and_(_active(_RECHECK.c.state), _LATE)

RECHECKS: Final = Listing(
    name="rechecks",
    select=sa.select(
        *_OF_SPINDLE,
        *(_RECHECK.c.episode, _RECHECK.c.body, _FOLDED_IF_LATE),
        *(_EXPECTED.c[name] for name in ("median", "p80_from", "p80_to", "p95_from", "p95_to")),
    )
    .select_from(_RECHECK)
    .outerjoin(_EXPECTED, _EXPECTED.c.episode == _RECHECK.c.episode)
    .join(_SPINDLE, _SPINDLE.c.subject == _RECHECK.c.subject)
    .join(_COUNTER, _COUNTER.c.subject == _RECHECK.c.subject),
    filters={
        "state": sa.or_(_among(_RECHECK.c.state, "state"), _LATE_AND_ACTIVE),
        "code": _is(_RECHECK.c.code, "code"),
        "check": _among(_RECHECK.c.body.op("->>", return_type=sa.Text())(sa.literal_column("'check'")), "check"),
        "plant": _is(_SPINDLE.c.plant, "plant"),
        "spindle": _is(_SPINDLE.c.key, "spindle"),
        "due_before": sa.or_(_DUE_BEFORE, _LATE_AND_ACTIVE),
        "plants": _among(_SPINDLE.c.plant, "plants"),
    },
    sorts={
        "spindle": Sort(columns=(_SPINDLE.c.key, _RECHECK.c.anchor, _RECHECK.c.episode)),
        "due": Sort(
            columns=(
                _rank(_RECHECK.c.state, *_PRESSING),
                _microseconds(_RECHECK.c.due_at),
                _CYCLES_LEFT,
                _RECHECK.c.episode,
            )
        ),
    },
)
"""Episodes of rechecks with their spindles, history included."""

MEASUREMENTS: Final = Listing(
    name="measurements",
    select=sa.select(
        *(_MEASUREMENT.c[name] for name in ("sequence", "occurred", "kind", "gauge", "outcome", "verdict"))
    ),
    filters={
        "subject": _is(_MEASUREMENT.c.subject, "subject"),
        "check": _among(_MEASUREMENT.c.kind, "check"),
        "outcome": _among(_MEASUREMENT.c.outcome, "outcome"),
        "gauge": _is(_MEASUREMENT.c.gauge, "gauge"),
    },
    sorts={
        "time": Sort(columns=(_microseconds(_MEASUREMENT.c.occurred), _MEASUREMENT.c.sequence)),
        "entry": Sort(columns=(_MEASUREMENT.c.subject, _MEASUREMENT.c.sequence)),
    },
)
"""The measurements of one spindle; by entry, what comes in late stands at the end, by time in its place."""

SUBJECTS: Final = Listing(
    name="subjects",
    select=sa.select(_SUBJECT.c.key, _SUBJECT.c.sequence).where(_SUBJECT.c.sequence > sa.literal_column("0")),
    filters={"kind": _is(_SUBJECT.c.kind, "kind"), "prefix": _begins(_SUBJECT.c.key, "prefix")},
    sorts={"key": Sort(columns=(_SUBJECT.c.kind, _SUBJECT.c.key))},
)
"""Sheets, gauges or lots, by kind."""

_TOLD = _table(
    "kept",
    "work_order",
    **dict.fromkeys(("work_order", "state", "cause", "spindle", "plant", "hall", "machine", "body"), sa.Text),
    **dict.fromkeys(("planned_state", "number", "note"), sa.Text),
    **dict.fromkeys(("told", "changed", "ended", "due_by", "planned_start", "planned_end", "planned", "closed"), _TIME),
    **dict.fromkeys(("assignee", "planned_by"), sa.Integer),
    change=sa.BigInteger,
    priority=sa.SmallInteger,
)
_ACTOR = _table("kept", "actor", actor=sa.Integer, label=sa.Text)
_STILL_OPEN: Final = _TOLD.c.state.in_([sa.literal_column("'released'"), sa.literal_column("'held'")])
_SHOWN_AS: Final = sa.case((_STILL_OPEN, sa.func.coalesce(_TOLD.c.planned_state, _TOLD.c.state)), else_=_TOLD.c.state)

WORK_ORDERS: Final = Listing(
    name="work orders",
    select=sa.select(*_TOLD.c, _ACTOR.c.label).select_from(_TOLD.outerjoin(_ACTOR, _ACTOR.c.actor == _TOLD.c.assignee)),
    filters={
        "state": _among(_SHOWN_AS, "state"),
        "open": _STILL_OPEN,
        "ended": sa.not_(_STILL_OPEN),
        "cause": _among(_TOLD.c.cause, "cause"),
        "priority": _TOLD.c.priority == sa.any_(sa.bindparam("priority", type_=ARRAY(sa.SmallInteger))),
        **{name: _is(_TOLD.c[name], name) for name in ("plant", "hall", "machine", "spindle")},
        "due_before": sa.and_(_STILL_OPEN, _TOLD.c.due_by < sa.bindparam("due_before", type_=_TIME)),
        "plants": _among(_TOLD.c.plant, "plants"),
    },
    sorts={
        "spindle": Sort(columns=(_TOLD.c.spindle, _TOLD.c.work_order)),
        "priority": Sort(
            columns=(sa.cast(_TOLD.c.priority, sa.BigInteger), _microseconds(_TOLD.c.due_by), _TOLD.c.work_order)
        ),
        "due": Sort(columns=(_microseconds(_TOLD.c.due_by), _TOLD.c.work_order)),
        "changed": Sort(columns=(_TOLD.c.change, _TOLD.c.work_order)),
    },
)
"""Work orders as they were last told, ended ones included."""

LISTINGS: Final = (WORK_ORDERS, SPINDLES, HEALTH, LATE_HEALTH, RECHECKS, MEASUREMENTS, SUBJECTS)
