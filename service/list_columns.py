"""Words that lists are made of: tables by their columns, and what a filter or a sort asks of a column."""

from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY

from service.cursors import LAST

NEVER: Final = sa.literal_column(str(LAST), sa.BigInteger)
TIME: Final = sa.DateTime(timezone=True)
NOW: Final = sa.bindparam("now", type_=TIME)


def table(schema: str, name: str, **columns: Any) -> sa.FromClause:
    return sa.table(name, *(sa.column(column, kind) for column, kind in columns.items()), schema=schema).alias(name)


def among(column: sa.ColumnElement[Any], name: str) -> sa.ColumnElement[bool]:
    return column == sa.any_(sa.bindparam(name, type_=ARRAY(sa.Text)))


def equal(column: sa.ColumnElement[Any], name: str) -> sa.ColumnElement[bool]:
    return column == sa.bindparam(name, type_=column.type)


def begins(column: sa.ColumnElement[Any], name: str) -> sa.ColumnElement[bool]:
    return sa.func.starts_with(column, sa.bindparam(name, type_=sa.Text))


def rank(column: sa.ColumnElement[Any], *words: str) -> sa.ColumnElement[int]:
    """The place of a word in its order; what is not in it comes last."""
    places = ((column == sa.literal_column(f"'{word}'"), place) for place, word in enumerate(words))
    whens = [(condition, sa.literal_column(str(place), sa.BigInteger)) for condition, place in places]
    return sa.cast(sa.case(*whens, else_=sa.literal_column(str(len(words)), sa.BigInteger)), sa.BigInteger)


def microseconds(column: sa.ColumnElement[Any]) -> sa.ColumnElement[int]:
    """A time as a whole number, nothing as the last there is."""
    epoch = sa.cast(sa.extract("epoch", column) * sa.literal_column("1000000"), sa.BigInteger)
    return sa.func.coalesce(epoch, NEVER, type_=sa.BigInteger)
