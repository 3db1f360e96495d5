"""Deliveries as operators look for them: attempts by time, notices by time and type, and the health they spoke of."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    await_only(connection.execute((Path(__file__).parent / "0004_deliveries.sql").read_text("utf-8")))
