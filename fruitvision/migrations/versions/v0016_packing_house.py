"""Bin tickets, packed lots and what is learned of them, names mapped once, prices, cold rooms."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0016"
down_revision = "fruitvision_0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what is new."""
    op.add_column("block", sa.Column("trunk_area_cm2", sa.Float))
    op.add_column("block", sa.Column("full_bloom_on", sa.String))
    op.add_column("registered_tree", sa.Column("latitude_deg", sa.Float))
    op.add_column("registered_tree", sa.Column("longitude_deg", sa.Float))
    op.create_table(
        "bin_ticket",
        sa.Column("ticket", sa.String, primary_key=True),
        sa.Column("block_id", sa.String, nullable=False),
        sa.Column("picked_on", sa.String, nullable=False),
        sa.Column("bins", sa.Float, nullable=False),
        sa.Column("pass_number", sa.Integer, nullable=False),
        sa.Column("lot", sa.String, nullable=False),
    )
    op.create_table(
        "packed_lot",
        sa.Column("lot", sa.String, primary_key=True),
        sa.Column("packed_on", sa.String, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
    )
    op.create_table(
        "season_note",
        sa.Column("block_id", sa.String, primary_key=True),
        sa.Column("season", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("document", sa.Text, nullable=False),
    )
    op.create_table(
        "learned_choice",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("at", sa.String, nullable=False),
        sa.Column("who", sa.String, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "name_mapping",
        sa.Column("kind", sa.String, primary_key=True),
        sa.Column("written", sa.String, primary_key=True),
        sa.Column("meant", sa.String, nullable=False),
        sa.Column("who", sa.String, nullable=False),
        sa.Column("at", sa.String, nullable=False),
    )
    op.create_table(
        "price",
        sa.Column("variety", sa.String, primary_key=True),
        sa.Column("size_class", sa.String, primary_key=True),
        sa.Column("grade", sa.String, primary_key=True),
        sa.Column("per_carton", sa.Float, nullable=False),
    )
    op.create_table(
        "cold_room",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("document", sa.Text, nullable=False),
    )
