"""Photos of several trees, vigour of the trees in a photo, errors of culls by class."""

import sqlalchemy as sa
from alembic import op

revision = "fruitvision_0004"
down_revision = "fruitvision_0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; a photo that was there shows one tree."""
    op.add_column("tree_photo", sa.Column("trees", sa.Integer, nullable=False, server_default="1"))
    op.add_column("tree_photo", sa.Column("vigour", sa.Float))
    op.add_column("variety_cull", sa.Column("cull_share_error", sa.Float))
