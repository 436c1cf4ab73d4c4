"""References of a photo that a person pointed at."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0009"
down_revision = "fruitvision_0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "pointed_reference",
        sa.Column("photo_id", sa.String, primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("size_mm", sa.Float, nullable=False),
        sa.Column("box_px", sa.JSON, nullable=False),
    )
