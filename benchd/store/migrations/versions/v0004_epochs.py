"""The epochs of a bench, and how far each was handed to a broker."""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_COUNTER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Each bench that has events gets an epoch. All of its events count as handed to a broker."""
    epochs = op.create_table(
        "epochs",
        sa.Column("number", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("epoch", sa.String(40), nullable=False),
        sa.Column("first", sa.BigInteger(), nullable=False),
        sa.Column("handed", sa.BigInteger(), nullable=False),
        sa.Column("began_at", sa.String(27), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_epochs"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_epochs_bench_epoch", "epochs", ["bench", "epoch"], unique=True)
    counts = op.get_bind().execute(
        sa.text("SELECT bench, epoch, last FROM sequences WHERE stream = '*'")
    )
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    rows = [
        {
            "bench": bench,
            "epoch": epoch,
            "first": 1,
            "handed": last,
            "began_at": now,
            "reason": "",
        }
        for bench, epoch, last in counts
    ]
    if rows:
        op.bulk_insert(epochs, rows)
