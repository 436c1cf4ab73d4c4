"""Fruit that were measured by hand and can be found in a photo."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0006"
down_revision = "fruitvision_0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "calipered_fruit",
        sa.Column("photo_id", sa.String, primary_key=True),
        sa.Column("x_px", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("y_px", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("diameter_mm", sa.Float, nullable=False),
    )
