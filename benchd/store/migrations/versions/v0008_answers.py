"""Jobs keep what the last answer to their request said."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """A document: the step that was answered, the length taken off, whether to stop."""
    op.add_column("jobs", sa.Column("answer", sa.Text(), nullable=True))
