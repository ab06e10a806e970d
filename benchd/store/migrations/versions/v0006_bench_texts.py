"""Jobs keep the bench that they were queued with."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """The text of a bench file and its registers, by the hash of what they state."""
    op.create_table(
        "bench_texts",
        sa.Column("hash", sa.String(64), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("hash", name="pk_bench_texts"),
    )
