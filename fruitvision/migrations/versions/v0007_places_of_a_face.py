"""Photos of a tree face from several places, and with which others a photo was measured."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0007"
down_revision = "fruitvision_0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; a photo that was there is the first of its face, measured by itself."""
    op.add_column("tree_photo", sa.Column("place", sa.Integer, nullable=False, server_default="1"))
    op.add_column(
        "measurement", sa.Column("seen_with", sa.JSON, nullable=False, server_default="[]")
    )
