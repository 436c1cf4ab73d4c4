"""Tables of a farm's database. A column that holds a record's field has the field's name.

Days are ISO text. Times are UTC in ISO text beside the offset in minutes, because SQLite keeps no
time zones; without an offset the time is local time as the camera wrote it.

A change here needs a new step in `migrations/versions` and the new name in `SCHEMA`.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Float,
    ForeignKey,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from fruitvision.store.columns import Whole

SCHEMA = "fruitvision_0016"

metadata = MetaData()

# One row.
farm = Table(
    "farm",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("name", String, nullable=False),
    Column("settings_text", Text, nullable=False),
)

block = Table(
    "block",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("variety", String, nullable=False),
    Column("positions", Whole, nullable=False),
    Column("missing", Whole, nullable=False),
    Column("pollinizers", Whole, nullable=False),
    Column("pick_date", String),
    Column("row_spacing_m", Float),
    Column("tree_spacing_m", Float),
    Column("area_ha", Float),
    Column("group", String, nullable=False, server_default=""),
    Column("target_fruit_per_tree", Float),
    Column("target_diameter_mm", Float),
    Column("trunk_area_cm2", Float),
    Column("full_bloom_on", String),
)

registered_tree = Table(
    "registered_tree",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("row", Whole, primary_key=True, autoincrement=False),
    Column("position", Whole, primary_key=True, autoincrement=False),
    Column("kind", String, nullable=False),
    Column("stratum", String, nullable=False),
    Column("bearing_share", Float, nullable=False),
    Column("variety", String, nullable=False),
    Column("latitude_deg", Float),
    Column("longitude_deg", Float),
)

visited_place = Table(
    "visited_place",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("row", Whole, primary_key=True, autoincrement=False),
    Column("position", Whole, primary_key=True, autoincrement=False),
    Column("visited_on", String, primary_key=True),
    Column("found", String, nullable=False),
)

# A plan is one document: nobody changes a single pass of it.
pick_plan = Table(
    "pick_plan",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("document", Text, nullable=False),
)

# Fruit without a name are numbered as in `caliper_reading`.
weighed_fruit = Table(
    "weighed_fruit",
    metadata,
    Column("variety", String, primary_key=True),
    Column("weighed_on", String, primary_key=True),
    Column("fruit", String, primary_key=True),
    Column("unnamed_number", Whole, primary_key=True, autoincrement=False),
    Column("diameter_mm", Float, nullable=False),
    Column("mass_g", Float, nullable=False),
)

variety_cull = Table(
    "variety_cull",
    metadata,
    Column("variety", String, primary_key=True),
    Column("size_class", String, primary_key=True),
    Column("cull_share", Float, nullable=False),
    Column("cull_share_error", Float),
)

variety_grade = Table(
    "variety_grade",
    metadata,
    Column("variety", String, primary_key=True),
    Column("size_class", String, primary_key=True),
    Column("grade", String, primary_key=True),
    Column("share", Float, nullable=False),
)

hand_count = Table(
    "hand_count",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("row", Whole, primary_key=True, autoincrement=False),
    Column("position", Whole, primary_key=True, autoincrement=False),
    Column("counted_on", String, primary_key=True),
    Column("protocol", String, primary_key=True),
    Column("fruit_count", Whole, nullable=False),
)

# `unnamed_number` is 0 for a fruit with a name, 1, 2, ... for those of a tree and day without one.
caliper_reading = Table(
    "caliper_reading",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("row", Whole, primary_key=True, autoincrement=False),
    Column("position", Whole, primary_key=True, autoincrement=False),
    Column("measured_on", String, primary_key=True),
    Column("fruit", String, primary_key=True),
    Column("unnamed_number", Whole, primary_key=True, autoincrement=False),
    Column("diameter_mm", Float, nullable=False),
)

# Places are whole px: a fruit that is pointed at again replaces what was measured before.
calipered_fruit = Table(
    "calipered_fruit",
    metadata,
    Column("photo_id", String, primary_key=True),
    Column("x_px", Whole, primary_key=True, autoincrement=False),
    Column("y_px", Whole, primary_key=True, autoincrement=False),
    Column("diameter_mm", Float, nullable=False),
)

tree_photo = Table(
    "tree_photo",
    metadata,
    Column("photo_id", String, primary_key=True),
    Column("block_id", String, nullable=False, index=True),
    Column("row", Whole, nullable=False),
    Column("position", Whole, nullable=False),
    Column("face", String, nullable=False),
    Column("walked_on", String, nullable=False),
    Column("trees", Whole, nullable=False, server_default="1"),
    Column("vigour", Float),
    Column("place", Whole, nullable=False, server_default="1"),
)

# A calibration is one document: nobody changes a part of it.
lens_calibration = Table(
    "lens_calibration",
    metadata,
    Column("name", String, primary_key=True),
    Column("document", Text, nullable=False),
)

photo = Table(
    "photo",
    metadata,
    Column("photo_id", String, primary_key=True),
    Column("name", String, nullable=False),
    Column("width_px", Whole, nullable=False),
    Column("height_px", Whole, nullable=False),
    Column("taken_at_utc", String),
    Column("taken_at_offset_minutes", Whole),
    Column("latitude_deg", Float),
    Column("longitude_deg", Float),
    Column("lens", String, nullable=False),
    Column("focal_35mm", Float),
    Column("sharpness", Float, nullable=False),
    Column("brightness", Float, nullable=False),
    Column("doubts", JSON, nullable=False),
    Column("phone", String, nullable=False, server_default=""),
    Column("focal_mm", Float),
    Column("zoom", Float, nullable=False, server_default="1"),
    Column("turned_deg", Whole),
)

# References of a photo that a person pointed at, in their order.
pointed_reference = Table(
    "pointed_reference",
    metadata,
    Column("photo_id", String, primary_key=True),
    Column("number", Whole, primary_key=True, autoincrement=False),
    Column("kind", String, nullable=False),
    Column("size_mm", Float, nullable=False),
    Column("box_px", JSON, nullable=False),
)

# `number` grows with every save: the highest of a photo is its latest result.
measurement = Table(
    "measurement",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("photo_id", String, ForeignKey("photo.photo_id"), nullable=False),
    Column("version", String, nullable=False),
    Column("detector", String, nullable=False),
    Column("settings_sha256", String, nullable=False),
    Column("markers", JSON, nullable=False),
    Column("scale", JSON(none_as_null=True)),
    Column("doubts", JSON, nullable=False),
    Column("remarks", JSON, nullable=False),
    # Of the photo, but it may change from one measurement to the next.
    Column("calibration", JSON(none_as_null=True)),
    Column("balls", JSON, nullable=False, server_default="[]"),
    Column("seen_with", JSON, nullable=False, server_default="[]"),
    UniqueConstraint("photo_id", "version", "detector", "settings_sha256"),
    sqlite_autoincrement=True,
)

fruit = Table(
    "fruit",
    metadata,
    Column(
        "measurement",
        Whole,
        ForeignKey("measurement.number", ondelete="CASCADE"),
        primary_key=True,
    ),
    Column("fruit_id", String, primary_key=True),
    Column("number", Whole, nullable=False),
    Column("centre_x_px", Float, nullable=False),
    Column("centre_y_px", Float, nullable=False),
    Column("width_px", Float, nullable=False),
    Column("height_px", Float, nullable=False),
    Column("angle_deg", Float, nullable=False),
    Column("diameter_px", Float, nullable=False),
    Column("diameter_mm", Float),
    Column("diameter_error_mm", Float),
    Column("visible_share", Float, nullable=False),
    Column("score", Float, nullable=False),
    Column("on_this_row", Boolean, nullable=False),
    Column("doubts", JSON, nullable=False),
    Column("depth_grade", String, nullable=False, server_default="one plane"),
    Column("distance_mm", Float),
    Column("same_as", JSON(none_as_null=True)),
    Column("diameter_error_px", Float),
)

# A published forecast is one document: nobody changes a part of it.
forecast = Table(
    "forecast",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("forecast_id", String, nullable=False, unique=True),
    Column("made_on", String, nullable=False),
    Column("schema_version", Whole, nullable=False),
    Column("document", Text, nullable=False),
    sqlite_autoincrement=True,
)
