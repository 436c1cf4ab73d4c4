"""First tables."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create every table."""
    _create_field_tables()
    _create_photo_tables()
    op.create_table(
        "forecast",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("forecast_id", sa.String, nullable=False, unique=True),
        sa.Column("made_on", sa.String, nullable=False),
        sa.Column("schema_version", sa.Integer, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )


def _create_field_tables() -> None:
    op.create_table(
        "farm",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("settings_text", sa.Text, nullable=False),
    )
    op.create_table(
        "block",
        sa.Column("block_id", sa.String, primary_key=True),
        sa.Column("variety", sa.String, nullable=False),
        sa.Column("positions", sa.Integer, nullable=False),
        sa.Column("missing", sa.Integer, nullable=False),
        sa.Column("pollinizers", sa.Integer, nullable=False),
        sa.Column("pick_date", sa.String),
    )
    op.create_table(
        "hand_count",
        sa.Column("block_id", sa.String, primary_key=True),
        sa.Column("row", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("counted_on", sa.String, primary_key=True),
        sa.Column("protocol", sa.String, primary_key=True),
        sa.Column("fruit_count", sa.Integer, nullable=False),
    )
    op.create_table(
        "caliper_reading",
        sa.Column("block_id", sa.String, primary_key=True),
        sa.Column("row", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("measured_on", sa.String, primary_key=True),
        sa.Column("fruit", sa.String, primary_key=True),
        sa.Column("unnamed_number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("diameter_mm", sa.Float, nullable=False),
    )


def _create_photo_tables() -> None:
    op.create_table(
        "tree_photo",
        sa.Column("photo_id", sa.String, primary_key=True),
        sa.Column("block_id", sa.String, nullable=False, index=True),
        sa.Column("row", sa.Integer, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("face", sa.String, nullable=False),
        sa.Column("walked_on", sa.String, nullable=False),
    )
    op.create_table(
        "photo",
        sa.Column("photo_id", sa.String, primary_key=True),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("width_px", sa.Integer, nullable=False),
        sa.Column("height_px", sa.Integer, nullable=False),
        sa.Column("taken_at_utc", sa.String),
        sa.Column("taken_at_offset_minutes", sa.Integer),
        sa.Column("latitude_deg", sa.Float),
        sa.Column("longitude_deg", sa.Float),
        sa.Column("lens", sa.String, nullable=False),
        sa.Column("focal_35mm", sa.Float),
        sa.Column("sharpness", sa.Float, nullable=False),
        sa.Column("brightness", sa.Float, nullable=False),
        sa.Column("doubts", sa.JSON, nullable=False),
    )
    op.create_table(
        "measurement",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("photo_id", sa.String, sa.ForeignKey("photo.photo_id"), nullable=False),
        sa.Column("version", sa.String, nullable=False),
        sa.Column("detector", sa.String, nullable=False),
        sa.Column("settings_sha256", sa.String, nullable=False),
        sa.Column("markers", sa.JSON, nullable=False),
        sa.Column("scale", sa.JSON(none_as_null=True)),
        sa.Column("doubts", sa.JSON, nullable=False),
        sa.Column("remarks", sa.JSON, nullable=False),
        sa.UniqueConstraint("photo_id", "version", "detector", "settings_sha256"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "fruit",
        sa.Column(
            "measurement",
            sa.Integer,
            sa.ForeignKey("measurement.number", ondelete="CASCADE"),
            primary_key=True,
        ),
        sa.Column("fruit_id", sa.String, primary_key=True),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("centre_x_px", sa.Float, nullable=False),
        sa.Column("centre_y_px", sa.Float, nullable=False),
        sa.Column("width_px", sa.Float, nullable=False),
        sa.Column("height_px", sa.Float, nullable=False),
        sa.Column("angle_deg", sa.Float, nullable=False),
        sa.Column("diameter_px", sa.Float, nullable=False),
        sa.Column("diameter_mm", sa.Float),
        sa.Column("diameter_error_mm", sa.Float),
        sa.Column("visible_share", sa.Float, nullable=False),
        sa.Column("score", sa.Float, nullable=False),
        sa.Column("on_this_row", sa.Boolean, nullable=False),
        sa.Column("doubts", sa.JSON, nullable=False),
    )
