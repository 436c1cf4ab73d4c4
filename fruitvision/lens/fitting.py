"""A farm's calibrations → the camera of one photo: same lens, whatever its size, turn and zoom."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from fruitvision.camera import centred, scaled, turned, zoomed
from fruitvision.domain import Camera, Doubt, Doubts, LensCalibration, Photo
from fruitvision.lens.corners import unturned_size

# Focal lengths of one lens as its photos' tags name them: whole mm in the 35 mm equivalent, and
# two or three digits of the lens's own.
_ALIKE_35MM, _ALIKE_MM = 0.6, 0.01
# Shapes of a picture that differ by less are alike: sizes are whole px.
_ALIKE_SHAPE = 0.005
# Photos of one lens that tell its usual size. Our choice.
_FEWEST_USUAL = 3
# Distance to which a lens is focused in front of a tree, mm. Our choice: walks keep 2 to 2.5 m.
FOCUSED_MM = 2200.0


def with_calibration(photo: Photo, lenses: Iterable[LensCalibration]) -> tuple[Photo, Doubts]:
    """The photo with the calibration that fits it, if there is one.

    Parameters
    ----------
    photo : Photo
    lenses : iterable of LensCalibration
        All that the farm has. One of photos that named no phone is for such photos.

    Returns
    -------
    photo : Photo
        With `calibration` for this very picture: scaled, turned, zoomed, and focused as in front
        of a tree.
    doubts : Doubts
        LENS_OTHER where this phone is calibrated, but not this lens, zoom or shape of picture;
        PHOTO_RESIZED where the size is none that the phone gives by itself: if it was cut to the
        same shape, nothing tells.
    """
    of_phone = [lens for lens in lenses if lens.phone == photo.phone]
    if not of_phone:
        return photo, ()
    fitting = [lens for lens in of_phone if _fits(lens, photo)]
    if not fitting or Doubt.PHOTO_CROPPED in photo.doubts:
        return photo, (Doubt.LENS_OTHER,) if photo.phone else ()
    # Of several sizes the one that has to be scaled least.
    nearest = min(
        fitting, key=lambda lens: abs(max(lens.width_px, lens.height_px) - max(_size(photo)))
    )
    sizes = _sorted(_size(photo)), _sorted((nearest.width_px, nearest.height_px))
    doubts = () if sizes[0] == sizes[1] or _is_mode(*sizes) else (Doubt.PHOTO_RESIZED,)
    return replace(photo, calibration=_camera_for(photo, nearest)), doubts


def _fits(lens: LensCalibration, photo: Photo) -> bool:
    """Whether all that both name of the lens agrees, and the picture has its shape."""
    if lens.lens != photo.lens or not _same_shape(_size(photo), (lens.width_px, lens.height_px)):
        return False
    named = photo.focal_35mm and photo.focal_35mm / photo.zoom
    if named and lens.focal_35mm and abs(named - lens.focal_35mm) > _ALIKE_35MM:
        return False
    if photo.focal_mm and lens.focal_mm:
        return abs(photo.focal_mm / lens.focal_mm - 1) <= _ALIKE_MM
    if named and lens.focal_35mm:
        return True
    # Nothing to compare: fits if neither names anything.
    tags = (named, photo.focal_mm, lens.focal_35mm, lens.focal_mm)
    return photo.zoom == 1 and not any(tags)


def _camera_for(photo: Photo, lens: LensCalibration) -> Camera:
    """The camera of the upright photo, from that of the sensor's picture."""
    width_px, height_px = unturned_size(photo)
    camera = refocused(lens)
    if (width_px > height_px) != (lens.width_px > lens.height_px):
        # Software turned this picture and nothing says which way.
        camera = scaled(camera, max(width_px, height_px) / max(lens.width_px, lens.height_px))
        camera = centred(camera, width_px=width_px, height_px=height_px)
    else:
        camera = scaled(camera, max(width_px, height_px) / max(lens.width_px, lens.height_px))
    camera = zoomed(camera, photo.zoom, width_px=width_px, height_px=height_px)
    return turned(camera, photo.turned_deg or 0, width_px=width_px, height_px=height_px)


def refocused(lens: LensCalibration) -> Camera:
    """The camera when it is focused on a tree and not on the board.

    A lens focused on d mm stands f d / (d - f) before the sensor (thin lens; phones move the whole
    lens to focus): the nearer, the longer. As it was where the focal length in mm is not known.
    """
    if lens.focal_mm is None or lens.distance_mm <= 2 * lens.focal_mm:
        return lens.camera
    near = 1 - lens.focal_mm / lens.distance_mm
    far = 1 - lens.focal_mm / FOCUSED_MM
    return replace(lens.camera, focal_px=lens.camera.focal_px * near / far)


def odd_sizes(photos: Sequence[Photo]) -> dict[str, Doubt]:
    """Photos whose size is not the usual one of their phone and lens, by id, and why.

    PHOTO_CROPPED where the shape is another one, PHOTO_RESIZED where it is smaller and no half or
    quarter, which phones give by themselves. Usual is what more than half of a lens's photos have,
    of 3 or more.
    """
    by_lens: dict[tuple[object, ...], list[Photo]] = {}
    for photo in photos:
        if photo.phone:
            by_lens.setdefault((photo.lens, photo.focal_mm, photo.zoom), []).append(photo)
    odd: dict[str, Doubt] = {}
    for group in by_lens.values():
        sizes = [_sorted(_size(photo)) for photo in group]
        usual = max(set(sizes), key=sizes.count)
        if len(group) < _FEWEST_USUAL or 2 * sizes.count(usual) <= len(group):
            continue
        for photo, size in zip(group, sizes, strict=True):
            if not _same_shape(size, usual):
                odd[photo.photo_id] = Doubt.PHOTO_CROPPED
            elif size < usual and not _is_mode(size, usual):
                odd[photo.photo_id] = Doubt.PHOTO_RESIZED
    return odd


def _is_mode(size: tuple[int, int], usual: tuple[int, int]) -> bool:
    """Whether one has a half or a quarter of the other's pixels: 48, 24 and 12 megapixels."""
    pixels = sorted((size[0] * size[1], usual[0] * usual[1]))
    return any(abs(parts * pixels[0] / pixels[1] - 1) <= 2 * _ALIKE_SHAPE for parts in (2, 4))


def _size(photo: Photo) -> tuple[int, int]:
    return photo.width_px, photo.height_px


def _sorted(size: tuple[int, int]) -> tuple[int, int]:
    return min(size), max(size)


def _same_shape(one: tuple[int, int], other: tuple[int, int]) -> bool:
    """Whether two sizes have the same shape, turned or not."""
    shapes = [max(size) / min(size) for size in (one, other)]
    return abs(shapes[0] / shapes[1] - 1) <= _ALIKE_SHAPE
