"""Jobs keep how far their reductions are, since these run beside the next capture."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """The step before which all reductions are committed; NULL where none was ever left behind."""
    op.add_column("jobs", sa.Column("reduced_index", sa.Integer(), nullable=True))
