"""Answers to orders are remembered across restarts."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_COUNTER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """One row for an order id of a bench."""
    op.create_table(
        "orders",
        sa.Column("number", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("order_id", sa.String(64), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("reply", sa.Text(), nullable=False),
        sa.Column("answered_at", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_orders"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_orders_bench_order_id", "orders", ["bench", "order_id"], unique=True)
    op.create_index("ix_orders_bench_number", "orders", ["bench", "number"], unique=False)
