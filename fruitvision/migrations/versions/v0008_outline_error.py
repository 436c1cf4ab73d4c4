"""The error of a fruit's outline alone."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0008"
down_revision = "fruitvision_0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; of a fruit that was there it is not known."""
    op.add_column("fruit", sa.Column("diameter_error_px", sa.Float))
