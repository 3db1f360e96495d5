"""What begins and ends the watch over clamping sets, for how long they last."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    await_only(connection.execute((Path(__file__).parent / "0010_set_marks.sql").read_text("utf-8")))
