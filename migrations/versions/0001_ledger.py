"""The ledger, what is derived from it, and what is kept beside it."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0001"
down_revision = None


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    for name in ("0001_ledger.sql", "0001_derived.sql", "0001_kept.sql"):
        await_only(connection.execute((Path(__file__).parent / name).read_text("utf-8")))
