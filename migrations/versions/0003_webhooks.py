"""Webhooks: secrets that are sealed and rotated, filters, order and pace of an endpoint, and how it is doing."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    connection = op.get_bind().connection.driver_connection
    assert connection is not None
    await_only(connection.execute((Path(__file__).parent / "0003_webhooks.sql").read_text("utf-8")))
