"""Jobs remember that their withdrawal was ordered, and that they were put back in the queue."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add two times, both empty for jobs that are there already."""
    op.add_column("jobs", sa.Column("withdraw_ordered_at", sa.String(27), nullable=True))
    op.add_column("jobs", sa.Column("put_back_at", sa.String(27), nullable=True))
