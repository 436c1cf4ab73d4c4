"""Calibrated lenses, what a photo's tags say of its lens, balls, distance and twins of fruit."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0005"
down_revision = "fruitvision_0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add them; a fruit that was there was sized in one plane, a photo was not zoomed."""
    op.create_table(
        "lens_calibration",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("document", sa.Text, nullable=False),
    )
    op.add_column("photo", sa.Column("phone", sa.String, nullable=False, server_default=""))
    op.add_column("photo", sa.Column("focal_mm", sa.Float))
    op.add_column("photo", sa.Column("zoom", sa.Float, nullable=False, server_default="1"))
    op.add_column("photo", sa.Column("turned_deg", sa.Integer))
    op.add_column("measurement", sa.Column("calibration", sa.JSON(none_as_null=True)))
    op.add_column("measurement", sa.Column("balls", sa.JSON, nullable=False, server_default="[]"))
    op.add_column(
        "fruit", sa.Column("depth_grade", sa.String, nullable=False, server_default="one plane")
    )
    op.add_column("fruit", sa.Column("distance_mm", sa.Float))
    op.add_column("fruit", sa.Column("same_as", sa.JSON(none_as_null=True)))
