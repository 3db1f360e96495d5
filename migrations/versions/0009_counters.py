"""Counters in bulk: several readings of one spindle in one statement; the pause that is usual."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    await_only(connection.execute((Path(__file__).parent / "0009_counters.sql").read_text("utf-8")))
