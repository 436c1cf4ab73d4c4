"""Tree register, gaps found on walks, pick plans, weighed fruit; spacing and group of a block."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0002"
down_revision = "fruitvision_0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables and columns; what was there stays."""
    for name in ("row_spacing_m", "tree_spacing_m", "area_ha"):
        op.add_column("block", sa.Column(name, sa.Float))
    op.add_column("block", sa.Column("group", sa.String, nullable=False, server_default=""))
    op.create_table(
        "registered_tree",
        *_place(),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("stratum", sa.String, nullable=False),
        sa.Column("bearing_share", sa.Float, nullable=False),
        sa.Column("variety", sa.String, nullable=False),
    )
    op.create_table(
        "visited_place",
        *_place(),
        sa.Column("visited_on", sa.String, primary_key=True),
        sa.Column("found", sa.String, nullable=False),
    )
    op.create_table(
        "pick_plan",
        sa.Column("block_id", sa.String, primary_key=True),
        sa.Column("document", sa.Text, nullable=False),
    )
    op.create_table(
        "weighed_fruit",
        sa.Column("variety", sa.String, primary_key=True),
        sa.Column("weighed_on", sa.String, primary_key=True),
        sa.Column("fruit", sa.String, primary_key=True),
        sa.Column("unnamed_number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("diameter_mm", sa.Float, nullable=False),
        sa.Column("mass_g", sa.Float, nullable=False),
    )


def _place() -> tuple[sa.Column[Any], ...]:
    return (
        sa.Column("block_id", sa.String, primary_key=True),
        sa.Column("row", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
    )
