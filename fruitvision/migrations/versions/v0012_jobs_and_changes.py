"""Work in the background, and who changed what."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0012"
down_revision = "fruitvision_0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what is new."""
    op.create_table(
        "job",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("state", sa.String, nullable=False),
        sa.Column("asked_by", sa.String, nullable=False),
        sa.Column("asked_at_utc", sa.String, nullable=False),
        sa.Column("names", sa.JSON, nullable=False),
        sa.Column("folder", sa.String, nullable=False),
        sa.Column("seen_at_utc", sa.String),
        sa.Column("started_at_utc", sa.String),
        sa.Column("started_done", sa.Integer, nullable=False),
        sa.Column("starts", sa.Integer, nullable=False),
        sa.Column("done", sa.Integer, nullable=False),
        sa.Column("total", sa.Integer, nullable=False),
        sa.Column("refused", sa.JSON, nullable=False),
        sa.Column("problem", sa.JSON(none_as_null=True)),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "change",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("at_utc", sa.String, nullable=False),
        sa.Column("who", sa.String, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("about", sa.String, nullable=False, index=True),
        sa.Column("before", sa.JSON(none_as_null=True)),
        sa.Column("after", sa.JSON(none_as_null=True)),
        sqlite_autoincrement=True,
    )
