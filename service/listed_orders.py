"""The list of work orders as they were last told: its filters and its sorts, for `lists.page`."""

from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY

from service.lists import Listing, Sort

_TEXTS: Final = (
    *("work_order", "state", "cause", "spindle", "plant", "hall", "machine", "body"),
    *("planned_state", "number", "note"),
)
_TIMES: Final = ("told", "changed", "ended", "due_by", "planned_start", "planned_end", "planned", "closed")
_TOLD: Final = sa.table(
    "work_order",
    *(sa.column(name, sa.Text) for name in _TEXTS),
    *(sa.column(name, sa.DateTime(timezone=True)) for name in _TIMES),
    *(sa.column(name, sa.Integer) for name in ("assignee", "planned_by")),
    *(sa.column("change", sa.BigInteger), sa.column("priority", sa.SmallInteger)),
    schema="kept",
).alias("told")
_ACTOR: Final = sa.table("actor", sa.column("actor", sa.Integer), sa.column("label", sa.Text), schema="kept")

_OPEN: Final = _TOLD.c.state.in_([sa.literal_column("'released'"), sa.literal_column("'held'")])
_SHOWN: Final = sa.case((_OPEN, sa.func.coalesce(_TOLD.c.planned_state, _TOLD.c.state)), else_=_TOLD.c.state)
_SECONDS: Final = sa.extract("epoch", _TOLD.c.due_by) * sa.literal_column("1000000")
_BY_DUE: Final = sa.func.coalesce(
    sa.cast(_SECONDS, sa.BigInteger), sa.literal_column(str(2**63 - 1), sa.BigInteger), type_=sa.BigInteger
)
"""Microseconds; without a due_by the last there is."""


def _among(column: sa.ColumnElement[Any], name: str, kind: Any = sa.Text) -> sa.ColumnElement[bool]:
    return column == sa.any_(sa.bindparam(name, type_=ARRAY(kind)))


WORK_ORDERS: Final = Listing(
    name="work orders",
    select=sa.select(*_TOLD.c, _ACTOR.c.label).select_from(_TOLD.outerjoin(_ACTOR, _ACTOR.c.actor == _TOLD.c.assignee)),
    filters={
        "state": _among(_SHOWN, "state"),
        "open": _OPEN,
        "ended": sa.not_(_OPEN),
        "cause": _among(_TOLD.c.cause, "cause"),
        "priority": _among(_TOLD.c.priority, "priority", sa.SmallInteger),
        **{
            name: _TOLD.c[name] == sa.bindparam(name, type_=sa.Text) for name in ("plant", "hall", "machine", "spindle")
        },
        "due_before": sa.and_(_OPEN, _TOLD.c.due_by < sa.bindparam("due_before", type_=sa.DateTime(timezone=True))),
        "plants": _among(_TOLD.c.plant, "plants"),
    },
    sorts={
        "spindle": Sort(columns=(_TOLD.c.spindle, _TOLD.c.work_order)),
        "priority": Sort(columns=(sa.cast(_TOLD.c.priority, sa.BigInteger), _BY_DUE, _TOLD.c.work_order)),
        "due": Sort(columns=(_BY_DUE, _TOLD.c.work_order)),
        "changed": Sort(columns=(_TOLD.c.change, _TOLD.c.work_order)),
    },
)
"""Work orders, ended ones included."""
