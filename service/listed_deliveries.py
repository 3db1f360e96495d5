"""The list of deliveries to webhook endpoints: its filters and its order, for `lists.page`."""

from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY

from service.lists import Listing, Sort

_TIME: Final = sa.DateTime(timezone=True)
_TEXTS: Final = ARRAY(sa.Text)


def _table(name: str, **columns: Any) -> sa.FromClause:
    return sa.table(name, *(sa.column(column, kind) for column, kind in columns.items()), schema="kept").alias(name)


_NOTICE: Final = _table(
    "notice",
    notice=sa.BigInteger,
    **dict.fromkeys(("id", "type", "subject", "spindle", "plant"), sa.Text),
    **dict.fromkeys(("occurred", "created"), _TIME),
)
_DELIVERY: Final = _table(
    "delivery",
    notice=sa.BigInteger,
    **dict.fromkeys(("endpoint", "state"), sa.Text),
    **dict.fromkeys(("next_attempt", "ended", "replayed"), _TIME),
)
_ENDPOINT: Final = _table("endpoint", endpoint=sa.Text, plants=_TEXTS)
_ITSELF: Final = _NOTICE.c.subject == sa.literal_column("'webhook-endpoints/'", sa.Text) + _DELIVERY.c.endpoint


def _is(column: sa.ColumnElement[Any], name: str) -> sa.ColumnElement[bool]:
    return column == sa.bindparam(name, type_=sa.Text)


def _among(column: sa.ColumnElement[Any], name: str) -> sa.ColumnElement[bool]:
    return column == sa.any_(sa.bindparam(name, type_=_TEXTS))


DELIVERIES: Final = Listing(
    name="deliveries",
    select=sa.select(
        *(_DELIVERY.c[name] for name in ("endpoint", "notice", "state", "next_attempt", "ended", "replayed")),
        *(_NOTICE.c[name] for name in ("id", "type", "subject", "occurred", "created")),
    )
    .select_from(_DELIVERY)
    .join(_NOTICE, _NOTICE.c.notice == _DELIVERY.c.notice)
    .join(_ENDPOINT, _ENDPOINT.c.endpoint == _DELIVERY.c.endpoint),
    filters={
        "endpoint": _is(_DELIVERY.c.endpoint, "endpoint"),
        "state": _among(_DELIVERY.c.state, "state"),
        "type": _among(_NOTICE.c.type, "type"),
        "notice": _is(_NOTICE.c.id, "notice"),
        "spindle": _is(_NOTICE.c.spindle, "spindle"),
        "plant": _is(_NOTICE.c.plant, "plant"),
        "since": _NOTICE.c.created >= sa.bindparam("since", type_=_TIME),
        "until": _NOTICE.c.created < sa.bindparam("until", type_=_TIME),
        "plants": sa.and_(
            _ENDPOINT.c.plants.op("<@")(sa.bindparam("plants", type_=_TEXTS)),
            sa.or_(_among(_NOTICE.c.plant, "plants"), _ITSELF),
        ),
    },
    sorts={"newest": Sort(columns=(_DELIVERY.c.notice, _DELIVERY.c.endpoint), descending=True)},
)
"""Deliveries, the newest notice first, to endpoints that were deleted too. `plants` are those of a bound key: its
endpoints, told of its plants."""
