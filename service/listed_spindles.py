"""The lists of spindles and of what is derived of them: filters and sorts, for `lists.page`."""

from collections.abc import Mapping
from typing import Any, Final

import sqlalchemy as sa
from msgspec import structs
from sqlalchemy.dialects.postgresql import ARRAY

from service.list_columns import NEVER, NOW, TIME, among, begins, equal, microseconds, rank, table
from service.lists import Listing, Sort

_SUBJECT = table("ledger", "subject", subject=sa.Integer, kind=sa.Text, key=sa.Text, sequence=sa.BigInteger)
_SPINDLE = table(
    "derived",
    "spindle",
    subject=sa.Integer,
    fold=sa.SmallInteger,
    sequence=sa.BigInteger,
    settlements=sa.BigInteger,
    **dict.fromkeys(("key", "plant", "hall", "machine", "position", "sheet", "lifecycle", "health"), sa.Text),
    **dict.fromkeys(("clearance", "folded", "told_health"), sa.Text),
    reasons=ARRAY(sa.Text),
    **dict.fromkeys(("newest_fact", "settled_at", "next_look"), TIME),
    untold=sa.Boolean,
)
_COUNTER = table(
    "derived",
    "counter",
    subject=sa.Integer,
    reading=sa.BigInteger,
    read_at=TIME,
    count=sa.BigInteger,
    usual_pause=sa.Interval,
    heard_at=TIME,
)
_RECHECK = table(
    "derived",
    "recheck",
    **dict.fromkeys(("episode", "code", "state", "body"), sa.Text),
    subject=sa.Integer,
    due_at=TIME,
    due_count=sa.BigInteger,
    anchor=sa.BigInteger,
)
_EXPECTED = table(
    "derived",
    "expected",
    episode=sa.Text,
    **dict.fromkeys(("median", "p80_from", "p80_to", "p95_from", "p95_to"), TIME),
)
_MEASUREMENT = table(
    "derived",
    "measurement",
    subject=sa.Integer,
    sequence=sa.BigInteger,
    occurred=TIME,
    **dict.fromkeys(("kind", "gauge", "outcome", "verdict"), sa.Text),
)

_LATE: Final = _SPINDLE.c.next_look <= NOW
_PRESSING: Final = ("overdue", "due", "open", "deferred", "waiting")
_CYCLES_LEFT: Final = sa.func.coalesce(_RECHECK.c.due_count - _COUNTER.c.count, NEVER, type_=sa.BigInteger)
_OF_SPINDLE: Final = (
    *(_SPINDLE.c[name] for name in ("fold", "sequence", "newest_fact", "settled_at", "settlements", "next_look")),
    *(_SPINDLE.c[name] for name in ("key", "plant", "hall", "machine", "sheet", "told_health", "untold")),
    _LATE.label("late"),
    *(_COUNTER.c.reading, _COUNTER.c.read_at, _COUNTER.c.count, _COUNTER.c.usual_pause, _COUNTER.c.heard_at),
)
_FOLDED_IF_LATE: Final = sa.case((_LATE, _SPINDLE.c.folded)).label("folded")
_WITH_COUNTER: Final = _SPINDLE.join(_COUNTER, _COUNTER.c.subject == _SPINDLE.c.subject)


def _most_pressing() -> Sort:
    """Of a spindle's rechecks the one that is due soonest: its state, its day, the cycles left to it."""
    order = (rank(_RECHECK.c.state, *_PRESSING), microseconds(_RECHECK.c.due_at), _CYCLES_LEFT)
    mine = sa.select(*(column.label(f"press_{place}") for place, column in enumerate(order)))
    mine = mine.where(_RECHECK.c.subject == _SPINDLE.c.subject, _active(_RECHECK.c.state))
    mine = mine.order_by(*order).limit(sa.literal_column("1")).correlate(_SPINDLE, _COUNTER)
    pressing = mine.lateral("pressing")
    none = (sa.literal_column(str(len(_PRESSING)), sa.BigInteger), NEVER, NEVER)
    columns = (sa.func.coalesce(pressing.c[n], nothing, type_=sa.BigInteger) for n, nothing in enumerate(none))
    return Sort(columns=(*columns, _SPINDLE.c.key), source=_WITH_COUNTER.outerjoin(pressing, sa.true()))


def _active(state: sa.ColumnElement[Any]) -> sa.ColumnElement[bool]:
    return state.in_([sa.literal_column(f"'{word}'", sa.Text) for word in _PRESSING])


_DUE_BEFORE: Final = sa.or_(
    _RECHECK.c.state.in_([sa.literal_column("'overdue'"), sa.literal_column("'due'")]),
    sa.and_(_active(_RECHECK.c.state), _RECHECK.c.due_at < sa.bindparam("due_before", type_=TIME)),
)
_IN_THE_ROW: Final[Mapping[str, sa.ColumnElement[bool]]] = {
    **{name: equal(_SPINDLE.c[name], name) for name in ("plant", "hall", "machine", "position", "sheet")},
    **{name: among(_SPINDLE.c[name], name) for name in ("health", "clearance", "lifecycle")},
    "prefix": begins(_SPINDLE.c.key, "prefix"),
    "due_before": sa.exists().where(_RECHECK.c.subject == _SPINDLE.c.subject, _DUE_BEFORE),
    "plants": among(_SPINDLE.c.plant, "plants"),
}
"""Filters on what is stored: right where no state is late."""
_OF_SPINDLES: Final = {
    **_IN_THE_ROW,
    **{name: sa.or_(_IN_THE_ROW[name], _LATE) for name in ("health", "clearance", "due_before")},
}
_HEALTH_WORST_FIRST: Final = rank(
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
        "state": sa.or_(among(_RECHECK.c.state, "state"), _LATE_AND_ACTIVE),
        "code": equal(_RECHECK.c.code, "code"),
        "check": among(_RECHECK.c.body.op("->>", return_type=sa.Text())(sa.literal_column("'check'")), "check"),
        "plant": equal(_SPINDLE.c.plant, "plant"),
        "spindle": equal(_SPINDLE.c.key, "spindle"),
        "due_before": sa.or_(_DUE_BEFORE, _LATE_AND_ACTIVE),
        "plants": among(_SPINDLE.c.plant, "plants"),
    },
    sorts={
        "spindle": Sort(columns=(_SPINDLE.c.key, _RECHECK.c.anchor, _RECHECK.c.episode)),
        "due": Sort(
            columns=(
                rank(_RECHECK.c.state, *_PRESSING),
                microseconds(_RECHECK.c.due_at),
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
        "subject": equal(_MEASUREMENT.c.subject, "subject"),
        "check": among(_MEASUREMENT.c.kind, "check"),
        "outcome": among(_MEASUREMENT.c.outcome, "outcome"),
        "gauge": equal(_MEASUREMENT.c.gauge, "gauge"),
    },
    sorts={
        "time": Sort(columns=(microseconds(_MEASUREMENT.c.occurred), _MEASUREMENT.c.sequence)),
        "entry": Sort(columns=(_MEASUREMENT.c.subject, _MEASUREMENT.c.sequence)),
    },
)
"""The measurements of one spindle; by entry, what comes in late stands at the end, by time in its place."""

SUBJECTS: Final = Listing(
    name="subjects",
    select=sa.select(_SUBJECT.c.key, _SUBJECT.c.sequence).where(_SUBJECT.c.sequence > sa.literal_column("0")),
    filters={"kind": equal(_SUBJECT.c.kind, "kind"), "prefix": begins(_SUBJECT.c.key, "prefix")},
    sorts={"key": Sort(columns=(_SUBJECT.c.kind, _SUBJECT.c.key))},
)
"""Sheets, gauges or lots, by kind."""

LISTINGS: Final = (SPINDLES, HEALTH, LATE_HEALTH, RECHECKS, MEASUREMENTS, SUBJECTS)
