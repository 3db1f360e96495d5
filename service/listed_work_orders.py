"""The list of work orders: its filters and its sorts, for `lists.page`."""

from typing import Final

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY

from service.list_columns import TIME, among, equal, microseconds, table
from service.lists import Listing, Sort

_TOLD = table(
    "kept",
    "work_order",
    **dict.fromkeys(("work_order", "state", "cause", "spindle", "plant", "hall", "machine", "body"), sa.Text),
    **dict.fromkeys(("planned_state", "number", "note"), sa.Text),
    **dict.fromkeys(("told", "changed", "ended", "due_by", "planned_start", "planned_end", "planned", "closed"), TIME),
    **dict.fromkeys(("assignee", "planned_by"), sa.Integer),
    change=sa.BigInteger,
    priority=sa.SmallInteger,
)
_ACTOR = table("kept", "actor", actor=sa.Integer, label=sa.Text)
_STILL_OPEN: Final = _TOLD.c.state.in_([sa.literal_column("'released'"), sa.literal_column("'held'")])
_SHOWN_AS: Final = sa.case((_STILL_OPEN, sa.func.coalesce(_TOLD.c.planned_state, _TOLD.c.state)), else_=_TOLD.c.state)

WORK_ORDERS: Final = Listing(
    name="work orders",
    select=sa.select(*_TOLD.c, _ACTOR.c.label).select_from(_TOLD.outerjoin(_ACTOR, _ACTOR.c.actor == _TOLD.c.assignee)),
    filters={
        "state": among(_SHOWN_AS, "state"),
        "open": _STILL_OPEN,
        "ended": sa.not_(_STILL_OPEN),
        "cause": among(_TOLD.c.cause, "cause"),
        "priority": _TOLD.c.priority == sa.any_(sa.bindparam("priority", type_=ARRAY(sa.SmallInteger))),
        **{name: equal(_TOLD.c[name], name) for name in ("plant", "hall", "machine", "spindle")},
        "due_before": sa.and_(_STILL_OPEN, _TOLD.c.due_by < sa.bindparam("due_before", type_=TIME)),
        "plants": among(_TOLD.c.plant, "plants"),
    },
    sorts={
        "spindle": Sort(columns=(_TOLD.c.spindle, _TOLD.c.work_order)),
        "priority": Sort(
            columns=(sa.cast(_TOLD.c.priority, sa.BigInteger), microseconds(_TOLD.c.due_by), _TOLD.c.work_order)
        ),
        "due": Sort(columns=(microseconds(_TOLD.c.due_by), _TOLD.c.work_order)),
        "changed": Sort(columns=(_TOLD.c.change, _TOLD.c.work_order)),
    },
)
"""Work orders as they were last told, ended ones included."""
