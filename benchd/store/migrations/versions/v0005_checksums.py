"""Captures, results and verdicts carry a checksum, as traces always did."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column. It is empty for rows that were stored before; these are not checked."""
    for table in ("captures", "results", "verdicts"):
        op.add_column(table, sa.Column("sha256", sa.String(64), nullable=True))
