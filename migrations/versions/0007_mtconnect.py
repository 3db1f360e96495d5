"""MTConnect: which data item counts for which spindle, what was observed of it, what is on its way to the ledger."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    await_only(connection.execute((Path(__file__).parent / "0007_mtconnect.sql").read_text("utf-8")))
