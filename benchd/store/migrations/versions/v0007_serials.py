"""Jobs know the serial number of their antenna, and the batch that they belong to."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Two texts, both empty for jobs without. A database that has them already keeps them."""
    there = {column["name"] for column in sa.inspect(op.get_bind()).get_columns("jobs")}
    for name in ("serial", "batch"):
        if name not in there:
            op.add_column("jobs", sa.Column(name, sa.Text(), nullable=True))
