"""Culls and grades of the packing line by variety and size class."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0003"
down_revision = "fruitvision_0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables; what was there stays."""
    op.create_table(
        "variety_cull",
        sa.Column("variety", sa.String, primary_key=True),
        sa.Column("size_class", sa.String, primary_key=True),
        sa.Column("cull_share", sa.Float, nullable=False),
    )
    op.create_table(
        "variety_grade",
        sa.Column("variety", sa.String, primary_key=True),
        sa.Column("size_class", sa.String, primary_key=True),
        sa.Column("grade", sa.String, primary_key=True),
        sa.Column("share", sa.Float, nullable=False),
    )
