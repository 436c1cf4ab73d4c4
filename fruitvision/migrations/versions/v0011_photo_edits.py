"""What people put right in photos."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0011"
down_revision = "fruitvision_0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what is new."""
    op.create_table(
        "photo_edit",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("photo_id", sa.String, nullable=False, index=True),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("made_by", sa.String, nullable=False),
        sa.Column("made_at_utc", sa.String, nullable=False),
        sa.Column("undone_by", sa.String),
        sa.Column("undone_at_utc", sa.String),
        sqlite_autoincrement=True,
    )
