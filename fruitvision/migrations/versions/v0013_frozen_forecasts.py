"""Forecasts that were frozen for sales."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0013"
down_revision = "fruitvision_0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what is new."""
    op.create_table(
        "frozen_forecast",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("forecast_id", sa.String, nullable=False),
        sa.Column("frozen_by", sa.String, nullable=False),
        sa.Column("frozen_at_utc", sa.String, nullable=False),
        sa.Column("note", sa.String, nullable=False),
        sqlite_autoincrement=True,
    )
