"""What a block is wanted to bear."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0010"
down_revision = "fruitvision_0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what is new."""
    op.add_column("block", sa.Column("target_fruit_per_tree", sa.Float))
    op.add_column("block", sa.Column("target_diameter_mm", sa.Float))
