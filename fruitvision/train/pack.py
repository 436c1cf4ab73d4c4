"""A pack: a folder of pictures at training size with all that is labelled in them.

PACK/pack.json        what is in it, a line per picture, with hashes
PACK/fruit.npz        all fruit of all pictures, see `FruitLabels`
PACK/pictures/        the pictures
PACK/masks/           16-bit instance maps, of pictures that have them

Pixels as everywhere: the centre of the top-left pixel is (0, 0). Edges of boxes and areas are edges
of pixels: what covers columns 3 to 7 reaches from 2.5 to 7.5.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from dataclasses import asdict, dataclass, fields
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage

from fruitvision.errors import TrainingError
from fruitvision.evaluate.gaps import Area

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]
Instances = NDArray[np.uint16]

FORMAT_VERSION = 1
PACK_FILE, FRUIT_FILE = "pack.json", "fruit.npz"
PICTURE_FOLDER, MASK_FOLDER = "pictures", "masks"

HANGING_FRUIT, FALLEN_FRUIT, BALL = 0, 1, 2
UNKNOWN_ROW = -1

_REPACK = "Make the pack again: fruitvision train pack."


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedPicture:
    """One picture of a pack.

    `file`, `mask` : inside the pack, `mask` is "" without one; `sha256`, `mask_sha256` : of those
    files; `source_file`, `source_sha256` : what it was made from; `scale` : its px per px of that;
    `source`, `split`, `fruit` : data set, train or val, kind of fruit; "" if not said.
    `mm_per_px` : at the marker, at this size; None without a marker.
    `has_outlines` : full outline, visible share, row and mask of each fruit are known;
    `behind_labelled` : fruit of rows behind are labelled; `grey_areas` : nothing is known there.
    """

    file: str
    sha256: str
    mask: str
    mask_sha256: str
    source_file: str
    source_sha256: str
    width_px: int
    height_px: int
    scale: float
    source: str
    split: str
    fruit: str
    mm_per_px: float | None
    has_outlines: bool
    behind_labelled: bool
    grey_areas: tuple[Area, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FruitLabels:
    """Fruit, one row each, by picture.

    `picture` (N,) int32: place of its picture in the pack; `box` (N, 4) float32: left, top, right,
    bottom of what is seen; `outline` (N, 5) float32: full outline as centre x, y, long and short
    axis (full lengths), degrees clockwise from +x, NaN if not known; `visible_share` (N,) float32,
    NaN if not known; `row` (N,) int16: 0 this row, 1 and more behind, -1 not known; `ignore` (N,)
    bool: neither a fruit nor none; `kind` (N,) uint8: HANGING_FRUIT, FALLEN_FRUIT or BALL; `number`
    (N,) uint16: of its pixels in the instance map, 0 without.

    Raises
    ------
    ValueError
        If shapes disagree.
    """

    picture: NDArray[np.int32]
    box: Floats
    outline: Floats
    visible_share: Floats
    row: NDArray[np.int16]
    ignore: NDArray[np.bool_]
    kind: NDArray[np.uint8]
    number: NDArray[np.uint16]

    def __post_init__(self) -> None:
        n = len(self.picture)
        for field in fields(self):
            shape = (n, *_WIDTHS.get(field.name, ()))
            found = getattr(self, field.name).shape
            if found != shape:
                raise ValueError(f"{field.name} must have shape {shape}, got {found}")

    def __len__(self) -> int:
        return len(self.picture)

    def take(self, index: slice | NDArray[np.int64] | NDArray[np.bool_]) -> FruitLabels:
        """Those of an index or mask, in its order."""
        return FruitLabels(
            **{field.name: getattr(self, field.name)[index] for field in fields(self)}
        )


_WIDTHS = {"box": (4,), "outline": (5,)}
_KINDS = {
    "picture": np.int32,
    "box": np.float32,
    "outline": np.float32,
    "visible_share": np.float32,
    "row": np.int16,
    "ignore": np.bool_,
    "kind": np.uint8,
    "number": np.uint16,
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pack:
    """A pack that was read; pictures stay on the disk until asked for."""

    folder: Path
    pictures: tuple[PackedPicture, ...]
    fruit: FruitLabels

    def __len__(self) -> int:
        return len(self.pictures)

    def fruit_of(self, index: int) -> FruitLabels:
        """Fruit of one picture, by its place in `pictures`."""
        first, end = np.searchsorted(self.fruit.picture, [index, index + 1])
        return self.fruit.take(slice(int(first), int(end)))

    def read_picture(self, index: int) -> Image:
        """(H, W, 3) uint8 RGB.

        Raises
        ------
        TrainingError
            If the file can't be read.
        """
        path = self.folder / self.pictures[index].file
        return np.asarray(_decoded(path).convert("RGB"), dtype=np.uint8)

    def read_instances(self, index: int) -> Instances | None:
        """(H, W) uint16: `number` of the fruit that each pixel shows, 0 none; None without a map.

        Raises
        ------
        TrainingError
            If the file can't be read.
        """
        picture = self.pictures[index]
        return np.array(_decoded(self.folder / picture.mask), np.uint16) if picture.mask else None


def labels_from(columns: dict[str, Any]) -> FruitLabels:
    """Labels from sequences by name, an empty one included."""
    arrays = {}
    for name, kind in _KINDS.items():
        values = np.asarray(columns[name])
        arrays[name] = values.astype(kind).reshape((-1, *_WIDTHS.get(name, ())))
    return FruitLabels(**arrays)


def joined(parts: list[FruitLabels]) -> FruitLabels:
    """Labels of pictures 0, 1, 2 ... as one, by picture."""
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts]) for name in _KINDS
    }
    sizes = [len(part) for part in parts]
    columns["picture"] = np.repeat(np.arange(len(parts)), sizes)
    return labels_from(columns)


def fruit_bytes(fruit: FruitLabels) -> bytes:
    """Content of fruit.npz: the same labels give the same bytes."""
    stream = BytesIO()
    columns: dict[str, Any] = {name: getattr(fruit, name) for name in _KINDS}
    np.savez_compressed(stream, **columns)
    return stream.getvalue()


def pack_bytes(pictures: tuple[PackedPicture, ...], fruit_content: bytes) -> bytes:
    """Content of pack.json, a line per picture."""
    head = {"format_version": FORMAT_VERSION, "fruit_sha256": _sha256(fruit_content)}
    lines = ",\n".join(json.dumps(asdict(picture), ensure_ascii=False) for picture in pictures)
    return f'{json.dumps(head)[:-1]}, "pictures": [\n{lines}\n]}}\n'.encode()


def read_pack(folder: Path, *, verify: bool = False) -> Pack:
    """A pack from its folder.

    Parameters
    ----------
    verify : bool
        Also hash every picture and instance map; without, only the labels are.

    Raises
    ------
    TrainingError
        If it is no pack, of another format, or not what was packed.
    """
    head = _read_head(folder)
    try:
        pictures = tuple(_picture(found) for found in head["pictures"])
        content = _read(folder / FRUIT_FILE)
        if _sha256(content) != head["fruit_sha256"]:
            raise TrainingError(f"{folder / FRUIT_FILE} was altered after packing.", fix=_REPACK)
        fruit = _fruit(content)
    except (KeyError, TypeError, ValueError, zipfile.BadZipFile) as err:
        raise TrainingError(f"The pack {folder} is damaged: {err}.", fix=_REPACK) from err
    pack = Pack(folder=folder, pictures=pictures, fruit=fruit)
    if verify:
        verify_files(pack)
    return pack


def verify_files(pack: Pack) -> None:
    """Make sure that every picture and instance map is the one that was packed.

    Raises
    ------
    TrainingError
        If one is missing or altered.
    """
    for picture in pack.pictures:
        for name, wanted in ((picture.file, picture.sha256), (picture.mask, picture.mask_sha256)):
            if name and _sha256(_read(pack.folder / name)) != wanted:
                raise TrainingError(f"{pack.folder / name} was altered after packing.", fix=_REPACK)


def _read_head(folder: Path) -> dict[str, Any]:
    content = _read(folder / PACK_FILE)
    try:
        head = json.loads(content)
        version = head["format_version"]
    except (KeyError, TypeError, ValueError) as err:
        raise TrainingError(f"{folder / PACK_FILE} is no list of a pack.", fix=_REPACK) from err
    if version != FORMAT_VERSION:
        raise TrainingError(
            f"The pack {folder} has format {version}; this program reads {FORMAT_VERSION}.",
            fix=_REPACK,
        )
    return dict(head)


def _picture(found: dict[str, Any]) -> PackedPicture:
    areas = tuple((a[0], a[1], a[2], a[3]) for a in found["grey_areas"])
    return PackedPicture(**{**found, "grey_areas": areas})


def _fruit(content: bytes) -> FruitLabels:
    with np.load(BytesIO(content), allow_pickle=False) as arrays:
        return labels_from({name: arrays[name] for name in _KINDS})


def _decoded(path: Path) -> PillowImage.Image:
    try:
        picture = PillowImage.open(path)
        picture.load()
    except OSError as err:
        raise TrainingError(f"{path} can't be read as a picture.", fix=_REPACK) from err
    return picture


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as err:
        raise TrainingError(f"Can't read {path}: {err.strerror}.", fix=_REPACK) from err


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
