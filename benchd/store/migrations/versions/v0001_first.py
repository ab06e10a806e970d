"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_COUNTER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "outbox",
        sa.Column("number", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("sequence", sa.BigInteger(), nullable=True),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.Column("retain", sa.Boolean(), nullable=False),
        sa.Column("qos", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(27), nullable=False),
        sa.Column("delivered_at", sa.String(27), nullable=True),
        sa.PrimaryKeyConstraint("number", name="pk_outbox"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "ix_outbox_bench_delivered_at_number",
        "outbox",
        ["bench", "delivered_at", "number"],
        unique=False,
    )
    op.create_index("ix_outbox_bench_sequence", "outbox", ["bench", "sequence"], unique=True)
    op.create_index(
        "ix_outbox_bench_topic_number", "outbox", ["bench", "topic", "number"], unique=False
    )
    op.create_table(
        "sequences",
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("stream", sa.String(length=40), nullable=False),
        sa.Column("epoch", sa.String(length=40), nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("bench", "stream", name="pk_sequences"),
    )
    op.create_table(
        "worksheets",
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("hash", name="pk_worksheets"),
    )
    op.create_table(
        "jobs",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("recipe", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("worksheet_hash", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("priority", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(27), nullable=False),
        sa.Column("not_before", sa.String(27), nullable=True),
        sa.Column("finish_by", sa.String(27), nullable=True),
        sa.Column("started_at", sa.String(27), nullable=True),
        sa.Column("ended_at", sa.String(27), nullable=True),
        sa.Column("step_index", sa.Integer(), nullable=False),
        sa.Column("steps_total", sa.Integer(), nullable=False),
        sa.Column("expected_s", sa.Double(), nullable=False),
        sa.Column("interruptions", sa.Integer(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("error", sa.Text(), nullable=True),
        sa.Column("hands", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["worksheet_hash"], ["worksheets.hash"], name="fk_jobs_worksheet_hash"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_jobs"),
    )
    op.create_index(
        "ix_jobs_bench_state_priority_created_at",
        "jobs",
        ["bench", "state", "priority", "created_at"],
        unique=False,
    )
    op.create_table(
        "captures",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("route", sa.Text(), nullable=False),
        sa.Column("position", sa.Text(), nullable=True),
        sa.Column("antenna", sa.Text(), nullable=True),
        sa.Column("taken_at", sa.String(27), nullable=False),
        sa.Column("recipe_hash", sa.String(length=64), nullable=False),
        sa.Column("worksheet_hash", sa.String(length=64), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_captures_job_id"),
        sa.PrimaryKeyConstraint("id", name="pk_captures"),
    )
    op.create_index(
        "ix_captures_bench_role_route_taken_at",
        "captures",
        ["bench", "role", "route", "taken_at"],
        unique=False,
    )
    op.create_index("ix_captures_job_id", "captures", ["job_id"], unique=False)
    op.create_table(
        "job_events",
        sa.Column("number", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("step_index", sa.Integer(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_job_events_job_id"),
        sa.PrimaryKeyConstraint("number", name="pk_job_events"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_job_events_job_id", "job_events", ["job_id"], unique=False)
    op.create_table(
        "results",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("antenna", sa.Text(), nullable=True),
        sa.Column("reduced_at", sa.String(27), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_results_job_id"),
        sa.PrimaryKeyConstraint("id", name="pk_results"),
    )
    op.create_index(
        "ix_results_bench_antenna_quantity_reduced_at",
        "results",
        ["bench", "antenna", "quantity", "reduced_at"],
        unique=False,
    )
    op.create_index("ix_results_job_id", "results", ["job_id"], unique=False)
    op.create_table(
        "verdicts",
        sa.Column("number", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_verdicts_job_id"),
        sa.PrimaryKeyConstraint("number", name="pk_verdicts"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_verdicts_job_id", "verdicts", ["job_id"], unique=False)
    op.create_table(
        "traces",
        sa.Column("capture_id", sa.String(length=40), nullable=False),
        sa.Column("ordinal", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("form", sa.String(length=16), nullable=False),
        sa.Column("points", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["capture_id"], ["captures.id"], name="fk_traces_capture_id"),
        sa.PrimaryKeyConstraint("capture_id", "ordinal", name="pk_traces"),
    )
