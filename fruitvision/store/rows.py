"""Records to rows of the farm's database, and back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Select, select

from fruitvision.domain import (
    Block,
    CaliperedFruit,
    CaliperReading,
    DepthGrade,
    Doubt,
    Forecast,
    Fruit,
    HandCount,
    LensCalibration,
    MeasuredPhoto,
    Photo,
    PickPlan,
    PointedReference,
    RegisteredTree,
    TreeId,
    TreeKind,
    TreePhoto,
    VarietyCull,
    VarietyGrade,
    VisitedPlace,
    WeighedFruit,
)
from fruitvision.errors import StoreError
from fruitvision.records import from_json, from_plain, to_json, to_plain
from fruitvision.store import tables

NewRow = dict[str, Any]
FoundRow = Mapping[Any, Any]

# Grows when the document of a forecast changes so that an older version can't read it.
FORECAST_SCHEMA = 5
# Documents whose records stay in memory: a season's versions. One of 60 blocks takes 60 ms to read,
# and pages ask for all of them.
FORECASTS_KEPT = 64


def plain_row(record: object) -> NewRow:
    """A record whose fields are columns."""
    row: NewRow = to_plain(record)
    return row


OfTree = TreePhoto | HandCount | CaliperReading | RegisteredTree | VisitedPlace


def tree_row(record: OfTree) -> NewRow:
    """A record of a tree: the tree's three parts become columns of their own."""
    row = plain_row(record)
    return {**row.pop("tree"), **row}


def block(row: FoundRow) -> Block:
    """The block in a row."""
    return from_plain(Block, dict(row))


# A farm has ten thousand rows of these kinds: they are made without `from_plain`, which would ask
# for the kind of every field.


def tree_photo(row: FoundRow) -> TreePhoto:
    """The photo of a tree in a row."""
    return TreePhoto(
        tree=_tree(row),
        face=row["face"],
        photo_id=row["photo_id"],
        walked_on=date.fromisoformat(row["walked_on"]),
        trees=row["trees"],
        vigour=row["vigour"],
        place=row["place"],
    )


def hand_count(row: FoundRow) -> HandCount:
    """The hand count in a row."""
    return from_plain(HandCount, _with_tree(row))


def caliper_rows(readings: Iterable[CaliperReading]) -> list[NewRow]:
    """Rows in which fruit without a name are numbered per tree and day."""
    return _numbered(
        [tree_row(one) for one in readings], ("block_id", "row", "position", "measured_on")
    )


def caliper_reading(row: FoundRow) -> CaliperReading:
    """The caliper reading in a row."""
    return CaliperReading(
        tree=_tree(row),
        measured_on=date.fromisoformat(row["measured_on"]),
        diameter_mm=row["diameter_mm"],
        fruit=row["fruit"],
    )


def calipered_fruit_row(one: CaliperedFruit) -> NewRow:
    """A calipered fruit, its place in whole px."""
    return {**plain_row(one), "x_px": round(one.x_px), "y_px": round(one.y_px)}


def calipered_fruit(row: FoundRow) -> CaliperedFruit:
    """The calipered fruit in a row."""
    fields = dict(row)
    return CaliperedFruit(
        photo_id=fields["photo_id"],
        x_px=float(fields["x_px"]),
        y_px=float(fields["y_px"]),
        diameter_mm=fields["diameter_mm"],
    )


def registered_tree(row: FoundRow) -> RegisteredTree:
    """The register's position in a row."""
    return RegisteredTree(
        tree=_tree(row),
        kind=TreeKind(row["kind"]),
        stratum=row["stratum"],
        bearing_share=row["bearing_share"],
        variety=row["variety"],
        latitude_deg=row["latitude_deg"],
        longitude_deg=row["longitude_deg"],
    )


def visited_place(row: FoundRow) -> VisitedPlace:
    """What a walk found, in a row."""
    return from_plain(VisitedPlace, _with_tree(row))


def pick_plan_row(block_id: str, plan: PickPlan) -> NewRow:
    """A block's passes as one document."""
    return {"block_id": block_id, "document": to_json(plan)}


def pick_plan(row: FoundRow) -> PickPlan:
    """The passes in a row."""
    return from_json(PickPlan, row["document"])


def weighed_rows(fruit: Iterable[WeighedFruit]) -> list[NewRow]:
    """Rows in which fruit without a name are numbered per variety and day."""
    return _numbered([plain_row(one) for one in fruit], ("variety", "weighed_on"))


def weighed_fruit(row: FoundRow) -> WeighedFruit:
    """The weighed fruit in a row."""
    fields = dict(row)
    del fields["unnamed_number"]
    return from_plain(WeighedFruit, fields)


def variety_cull(row: FoundRow) -> VarietyCull:
    """The culls of a class in a row."""
    return from_plain(VarietyCull, dict(row))


def variety_grade(row: FoundRow) -> VarietyGrade:
    """The grade of a class in a row."""
    return from_plain(VarietyGrade, dict(row))


def _numbered(new_rows: Iterable[NewRow], set_of: Sequence[str]) -> list[NewRow]:
    """Rows with a number: 0 for a fruit with a name, 1, 2, ... for those without in their set."""
    unnamed: dict[tuple[object, ...], int] = {}
    numbered = []
    for row in new_rows:
        number = 0
        if not row["fruit"]:
            key = tuple(row[name] for name in set_of)
            number = unnamed[key] = unnamed.get(key, 0) + 1
        numbered.append({**row, "unnamed_number": number})
    return numbered


def _tree(row: FoundRow) -> TreeId:
    return TreeId(row["block_id"], row["row"], row["position"])


def _with_tree(row: FoundRow) -> NewRow:
    fields = dict(row)
    tree = {name: fields.pop(name) for name in ("block_id", "row", "position")}
    return {**fields, "tree": tree}


# ---------------------------------------------------------------- measured photos


def photo_row(photo: Photo) -> NewRow:
    """A photo; the time in UTC beside its offset. Its calibration stands in `measurement_row`."""
    row = plain_row(photo)
    del row["taken_at"], row["calibration"]
    offset = photo.taken_at.utcoffset() if photo.taken_at else None
    moment = photo.taken_at
    if moment is not None and offset is not None:
        moment = moment.astimezone(UTC).replace(tzinfo=None)
    return {
        **row,
        "taken_at_utc": moment.isoformat() if moment else None,
        "taken_at_offset_minutes": None if offset is None else round(offset.total_seconds() / 60),
    }


def _photo(row: FoundRow) -> Photo:
    fields = dict(row)
    text, minutes = fields.pop("taken_at_utc"), fields.pop("taken_at_offset_minutes")
    moment = datetime.fromisoformat(text) if text else None
    if moment is not None and minutes is not None:
        zone = timezone(timedelta(minutes=minutes))
        moment = moment.replace(tzinfo=UTC).astimezone(zone)
    return from_plain(Photo, {**fields, "taken_at": moment and moment.isoformat()})


def pointed_reference_row(one: PointedReference, photo_id: str, number: int) -> NewRow:
    """A reference that a person pointed at, with its number in the photo."""
    return {"photo_id": photo_id, "number": number, **to_plain(one)}


def pointed_reference(row: FoundRow) -> PointedReference:
    """The reference in a row."""
    plain = {name: row[name] for name in ("kind", "size_mm", "box_px")}
    return from_plain(PointedReference, plain)


def measurement_row(measured: MeasuredPhoto) -> NewRow:
    """The result of a photo without its fruit."""
    return {
        "photo_id": measured.photo.photo_id,
        **to_plain(measured.made_with),
        "markers": to_plain(measured.references),
        "scale": to_plain(measured.scale),
        "doubts": to_plain(measured.doubts),
        "remarks": to_plain(measured.remarks),
        "calibration": to_plain(measured.photo.calibration),
        "balls": to_plain(measured.balls),
        "seen_with": to_plain(measured.seen_with),
    }


def fruit_rows(measured: MeasuredPhoto, measurement: int) -> list[NewRow]:
    """The fruit of a result, numbered in their order."""
    new_rows = []
    for number, fruit in enumerate(measured.fruit):
        row = plain_row(fruit)
        del row["photo_id"]
        new_rows.append({**row, "measurement": measurement, "number": number})
    return new_rows


def measured_photos(
    connection: Connection, numbers: Select[tuple[int]]
) -> tuple[MeasuredPhoto, ...]:
    """The results of the numbers that a query gives, by photo name."""
    measurement, fruit = tables.measurement, tables.fruit
    results = connection.execute(select(measurement).where(measurement.c.number.in_(numbers)))
    photos = connection.execute(
        select(tables.photo).where(
            tables.photo.c.photo_id.in_(
                select(measurement.c.photo_id).where(measurement.c.number.in_(numbers))
            )
        )
    )
    by_id = {row["photo_id"]: _photo(row) for row in photos.mappings()}
    seen: dict[int, list[FoundRow]] = {}
    query = select(fruit).where(fruit.c.measurement.in_(numbers))
    for row in connection.execute(query.order_by(fruit.c.measurement, fruit.c.number)).mappings():
        seen.setdefault(row["measurement"], []).append(row)
    found = [
        _measured_photo(row, by_id[row["photo_id"]], seen.get(row["number"], []))
        for row in results.mappings()
    ]
    return tuple(sorted(found, key=lambda measured: (measured.photo.name, measured.photo.photo_id)))


def _measured_photo(row: FoundRow, photo: Photo, fruit: Sequence[FoundRow]) -> MeasuredPhoto:
    plain = {
        "photo": {**to_plain(photo), "calibration": row["calibration"]},
        "references": row["markers"],
        "scale": row["scale"],
        "fruit": [],
        "doubts": row["doubts"],
        "remarks": row["remarks"],
        "balls": row["balls"],
        "seen_with": row["seen_with"],
        "made_with": {name: row[name] for name in ("version", "detector", "settings_sha256")},
    }
    return replace(
        from_plain(MeasuredPhoto, plain), fruit=tuple(_fruit(one, photo.photo_id) for one in fruit)
    )


def _fruit(row: FoundRow, photo_id: str) -> Fruit:
    """A fruit made without `from_plain`: a farm has a hundred thousand of them."""
    fields = dict(row)
    del fields["measurement"], fields["number"]
    doubts = tuple(map(Doubt, fields.pop("doubts")))
    grade = DepthGrade(fields.pop("depth_grade"))
    twin = fields.pop("same_as")
    return Fruit(
        photo_id=photo_id,
        doubts=doubts,
        depth_grade=grade,
        same_as=(twin[0], twin[1]) if twin else None,
        **fields,
    )


# ---------------------------------------------------------------- lenses


def lens_row(lens: LensCalibration) -> NewRow:
    """A calibration as one document, under its name."""
    return {"name": lens.name, "document": to_json(lens)}


def lens(row: FoundRow) -> LensCalibration:
    """The calibration in a row."""
    return from_json(LensCalibration, row["document"])


# ---------------------------------------------------------------- forecasts


def forecast_row(forecast: Forecast) -> NewRow:
    """A forecast as one document."""
    return {
        "forecast_id": forecast.forecast_id,
        "made_on": forecast.made_on.isoformat(),
        "schema_version": FORECAST_SCHEMA,
        "document": to_json(forecast),
    }


def forecast(row: FoundRow) -> Forecast:
    """The forecast in a row.

    Raises
    ------
    StoreError
        If it was written by a newer version or is damaged.
    """
    name = f"Forecast {row['forecast_id']}"
    if row["schema_version"] > FORECAST_SCHEMA:
        raise StoreError(f"{name} is of a newer fruitvision.", fix="Update fruitvision.")
    try:
        return _forecast_in(row["document"])
    except ValueError as err:
        raise StoreError(
            f"{name} is damaged: {err}.", fix="Restore the farm folder from a copy."
        ) from err


@lru_cache(maxsize=FORECASTS_KEPT)
def _forecast_in(document: str) -> Forecast:
    return from_json(Forecast, document)
