"""Walks that were drawn and are being walked."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0014"
down_revision = "fruitvision_0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what is new."""
    op.create_table(
        "walk_plan",
        sa.Column("block_id", sa.String, primary_key=True),
        sa.Column("drawn_on", sa.String, primary_key=True),
        sa.Column("document", sa.Text, nullable=False),
    )
