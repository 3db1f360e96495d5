"""Work orders: what follows from the ledger, what was told of it, and what the maintenance systems plan."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    await_only(connection.execute((Path(__file__).parent / "0006_work_orders.sql").read_text("utf-8")))
