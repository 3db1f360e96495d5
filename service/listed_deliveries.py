"""The list of deliveries to webhook endpoints: its filters and its order, for `lists.page`."""

from typing import Final

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY

from service.list_columns import TIME, among, equal, table
from service.lists import Listing, Sort

_TEXTS: Final = ARRAY(sa.Text)

_NOTICE: Final = table(
    "kept",
    "notice",
    notice=sa.BigInteger,
    **dict.fromkeys(("id", "type", "subject", "spindle", "plant"), sa.Text),
    **dict.fromkeys(("occurred", "created"), TIME),
)
_DELIVERY: Final = table(
    "kept",
    "delivery",
    notice=sa.BigInteger,
    **dict.fromkeys(("endpoint", "state"), sa.Text),
    **dict.fromkeys(("next_attempt", "ended", "replayed"), TIME),
)
_ENDPOINT: Final = table("kept", "endpoint", endpoint=sa.Text, plants=_TEXTS)
_ITSELF: Final = _NOTICE.c.subject == sa.literal_column("'webhook-endpoints/'", sa.Text) + _DELIVERY.c.endpoint


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
        "endpoint": equal(_DELIVERY.c.endpoint, "endpoint"),
        "state": among(_DELIVERY.c.state, "state"),
        "type": among(_NOTICE.c.type, "type"),
        "notice": equal(_NOTICE.c.id, "notice"),
        "spindle": equal(_NOTICE.c.spindle, "spindle"),
        "plant": equal(_NOTICE.c.plant, "plant"),
        "since": _NOTICE.c.created >= sa.bindparam("since", type_=TIME),
        "until": _NOTICE.c.created < sa.bindparam("until", type_=TIME),
        "plants": sa.and_(
            _ENDPOINT.c.plants.op("<@")(sa.bindparam("plants", type_=_TEXTS)),
            sa.or_(among(_NOTICE.c.plant, "plants"), _ITSELF),
        ),
    },
    sorts={"newest": Sort(columns=(_DELIVERY.c.notice, _DELIVERY.c.endpoint), descending=True)},
)
"""Deliveries, the newest notice first, to endpoints that were deleted too. `plants` are those of a bound key: its
endpoints, told of its plants."""
