"""What can be seen of a spindle in a list: its reasons as a column, and a number for each change of it."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    await_only(connection.execute((Path(__file__).parent / "0008_changes.sql").read_text("utf-8")))
