"""What a step works on: a folder of its own, photos as a phone takes them, a farm's size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).parents[3]
# One photo of each kind of block of the benchmark set.
BENCHMARK = ROOT / "tests" / "orchards"
# 12 megapixels held upright, and a quality that phones save with (our choice: what
# `bench_capture` takes too).
PHONE_PX, PHONE_QUALITY = (3000, 4000), 90
# A comment of a JPEG: marker and its two bytes of length (ISO/IEC 10918-1, B.2.4.5).
COMMENT = b"\xff\xfe"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A scratch folder; photos, which take turns; whose program it is; the farm that is estimated.

    `farm` is made if it is new, of `blocks` blocks; `workers` are processes side by side.
    """

    folder: Path
    photos: tuple[Path, ...]
    source: Path = ROOT
    farm: Path | None = None
    blocks: int = 10
    pictures: bool = True
    workers: int = 1

    @property
    def farm_folder(self) -> Path:
        """Where the farm lies."""
        return self.farm or self.folder / f"farm of {self.blocks}"


def benchmark_photos(kinds: int) -> list[Path]:
    """The first photo of each kind of block of the benchmark set, so many kinds."""
    folders = sorted(path for path in BENCHMARK.iterdir() if (path / "photos").is_dir())
    return [min((folder / "photos").glob("*.jpg")) for folder in folders[:kinds]]


def phone_photos(
    photos: Sequence[Path],
    folder: Path,
    number: int,
    *,
    size_px: tuple[int, int] = PHONE_PX,
) -> tuple[Path, ...]:
    """So many files of a phone's size: the photos enlarged, in turns, each another file."""
    folder.mkdir(parents=True, exist_ok=True)
    large = [_enlarged(photo, folder / f"{photo.parents[1].name}.jpg", size_px) for photo in photos]
    made = []
    for place in range(number):
        path = folder / f"photo {place:03d}.jpg"
        path.write_bytes(_numbered(large[place % len(large)].read_bytes(), str(place)))
        made.append(path)
    return tuple(made)


def _enlarged(photo: Path, path: Path, size_px: tuple[int, int]) -> Path:
    """The photo with its tags, so that it is measured as the smaller one is."""
    with Image.open(photo) as opened:
        large = opened.convert("RGB").resize(size_px, Image.Resampling.BICUBIC)
        large.save(path, "JPEG", quality=PHONE_QUALITY, exif=opened.getexif())
    return path


def _numbered(content: bytes, words: str) -> bytes:
    """The same picture as another file, with a comment behind the first two bytes."""
    text = words.encode()
    return content[:2] + COMMENT + (len(text) + 2).to_bytes(2, "big") + text + content[2:]
