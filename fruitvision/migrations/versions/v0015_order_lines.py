"""The order book."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0015"
down_revision = "fruitvision_0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what is new."""
    op.create_table(
        "order_line",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("customer", sa.String, nullable=False),
        sa.Column("variety", sa.String, nullable=False),
        sa.Column("classes", sa.String, nullable=False),
        sa.Column("week", sa.String, nullable=False),
        sa.Column("cartons", sa.Integer, nullable=False),
        sa.Column("firm", sa.Boolean, nullable=False),
        sa.Column("grade", sa.String, nullable=False),
        sa.Column("pack", sa.String, nullable=False),
    )
