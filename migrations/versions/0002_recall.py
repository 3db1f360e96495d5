"""Recalls: which tools torqued what, and what is to be told once everything has been judged again."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    await_only(connection.execute((Path(__file__).parent / "0002_recall.sql").read_text("utf-8")))
