"""Use by the hour, what is fitted to it, and when rechecks are expected to fall due."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    await_only(connection.execute((Path(__file__).parent / "0005_use.sql").read_text("utf-8")))
