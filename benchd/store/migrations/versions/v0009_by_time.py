"""Lists of the newest jobs, captures and results are read by an index, however many there are."""

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_INDEXES = {
    "ix_jobs_created_at_id": ("jobs", ["created_at", "id"]),
    "ix_captures_antenna_taken_at_id": ("captures", ["antenna", "taken_at", "id"]),
    "ix_captures_taken_at_id": ("captures", ["taken_at", "id"]),
    "ix_results_antenna_reduced_at": ("results", ["antenna", "reduced_at"]),
    "ix_results_bench_antenna_reduced_at": ("results", ["bench", "antenna", "reduced_at"]),
    "ix_results_bench_quantity_reduced_at": ("results", ["bench", "quantity", "reduced_at"]),
    "ix_results_bench_reduced_at": ("results", ["bench", "reduced_at"]),
    "ix_results_reduced_at": ("results", ["reduced_at"]),
}


def upgrade() -> None:
    """Indexes in the order in which lists are asked for: of all, of one antenna, of one bench."""
    for name, (table, columns) in _INDEXES.items():
        op.create_index(name, table, columns, if_not_exists=True)
