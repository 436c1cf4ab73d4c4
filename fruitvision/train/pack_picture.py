"""One picture of a COCO document as it goes into a pack: checked, resized, encoded, hashed."""

from __future__ import annotations

import hashlib
from io import BytesIO
from pathlib import Path, PurePosixPath

import cv2
import numpy as np
from PIL import Image as PillowImage
from PIL import ImageOps

from fruitvision.errors import TrainingError
from fruitvision.evaluate.gaps import Area, missing_areas
from fruitvision.train.coco_labels import (
    CocoPicture,
    crowd_parts,
    edges_at,
    instances_of,
    labels_of,
)
from fruitvision.train.grey_areas import check_grey
from fruitvision.train.pack import (
    MASK_FOLDER,
    PICTURE_FOLDER,
    FruitLabels,
    Image,
    Instances,
    PackedPicture,
)
from fruitvision.train.pack_plan import FORMATS, SCALE_LIMITS, PackPlan
from fruitvision.whole_file import write_whole

# Effort of the WebP encoder, 0 to 6. Its default; 6 takes twice as long for a few percent.
WEBP_EFFORT = 4


def pack_picture(
    picture: CocoPicture, plan: PackPlan, folder: Path
) -> tuple[PackedPicture, FruitLabels]:
    """Write one picture and its instance map into a pack's folder; what is known of it.

    Raises
    ------
    TrainingError
        If file, size, areas, boxes or masks are not what the document says.
    """
    content, image = _read_image(picture, plan.images)
    areas = _areas(picture, image)
    scale = _scale(picture, plan)
    small = resized(image, scale)
    height, width = small.shape[:2]
    crowds = crowd_parts(picture)
    labels = labels_of(picture, crowds, scale)
    name = "_".join(PurePosixPath(picture.name).with_suffix("").parts)
    file = f"{PICTURE_FOLDER}/{name}.{plan.ending}"
    mask = f"{MASK_FOLDER}/{name}.png" if picture.is_rendered else ""
    mask_sha256 = ""
    if mask:
        instances = instances_of(picture, crowds, scale, (width, height))
        mask_sha256 = _write(folder / mask, _png(instances))
    full_mm_per_px = picture.mm_per_px
    return (
        PackedPicture(
            file=file,
            sha256=_write(folder / file, _encoded(small, plan)),
            mask=mask,
            mask_sha256=mask_sha256,
            source_file=picture.name,
            source_sha256=hashlib.sha256(content).hexdigest(),
            width_px=width,
            height_px=height,
            scale=scale,
            source=picture.source,
            split=str(picture.image.get("split", "")),
            fruit=str(picture.image.get("fruit", "")),
            mm_per_px=None if full_mm_per_px is None else full_mm_per_px / scale,
            has_outlines=picture.is_rendered,
            behind_labelled=picture.is_rendered,
            grey_areas=tuple(_area_at(area, scale) for area in areas),
        ),
        labels,
    )


def resized(image: Image, scale: float) -> Image:
    """The picture at another size; a place v of it comes to (v + 0.5) scale - 0.5.

    Parameters
    ----------
    image : (H, W, 3) uint8

    Returns
    -------
    (H', W', 3) uint8
        Sides are rounded to the nearest px.
    """
    if scale == 1.0:
        return image
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=how)
    return np.asarray(small, dtype=np.uint8)


def _areas(picture: CocoPicture, image: Image) -> tuple[Area, ...]:
    tiles = picture.image.get("tiles_present")
    if tiles is None:
        return ()
    height, width = image.shape[:2]
    areas = missing_areas([(column, row) for column, row in tiles], width, height)
    check_grey(image, areas)
    return areas


def _area_at(area: Area, scale: float) -> Area:
    left, top, right, bottom = (round(float(edge), 3) for edge in edges_at(area, scale))
    return left, top, right, bottom


def _scale(picture: CocoPicture, plan: PackPlan) -> float:
    if plan.mm_per_px is None:
        return plan.scale
    full = picture.mm_per_px
    if full is None:
        raise TrainingError(
            "It has no marker, so that --mm-per-px says nothing.", fix="Give --scale for it."
        )
    scale = full / plan.mm_per_px
    if not SCALE_LIMITS[0] <= scale <= SCALE_LIMITS[1]:
        raise TrainingError(
            f"It has {full:.3g} mm per px and would be scaled by {scale:.3g}.",
            fix="Give another --mm-per-px.",
        )
    return scale


def _read_image(picture: CocoPicture, folder: Path) -> tuple[bytes, Image]:
    name = PurePosixPath(picture.name)
    if name.is_absolute() or ".." in name.parts:
        raise TrainingError("Its name leads out of the folder.", fix="Name files inside --images.")
    try:
        content = (folder / name).read_bytes()
        opened = ImageOps.exif_transpose(PillowImage.open(BytesIO(content)))
        image = np.asarray(opened.convert("RGB"), dtype=np.uint8)
    except (OSError, PillowImage.DecompressionBombError) as err:
        raise TrainingError(
            f"It can't be read: {type(err).__name__}.", fix="Copy it again, or take it out."
        ) from err
    wanted = picture.image["height"], picture.image["width"]
    if image.shape[:2] != wanted:
        raise TrainingError(
            f"It is {image.shape[1]} x {image.shape[0]} px, but annotated at "
            f"{wanted[1]} x {wanted[0]}.",
            fix="Take the picture that was annotated.",
        )
    return content, image


def _encoded(image: Image, plan: PackPlan) -> bytes:
    stream = BytesIO()
    more = {"method": WEBP_EFFORT} if plan.ending == "webp" else {}
    picture = PillowImage.fromarray(image)
    picture.save(stream, FORMATS[plan.ending], quality=plan.quality, **more)
    return stream.getvalue()


def _png(instances: Instances) -> bytes:
    stream = BytesIO()
    PillowImage.fromarray(instances).save(stream, "PNG", optimize=True)
    return stream.getvalue()


def _write(path: Path, content: bytes) -> str:
    if path.exists():
        raise TrainingError("Another picture has the same name.", fix="Rename one of them.")
    write_whole(path, content)
    return hashlib.sha256(content).hexdigest()
