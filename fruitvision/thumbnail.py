"""Small pictures of the kept photos, made once and kept beside them; they may be deleted."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

from PIL import Image as PillowImage

from fruitvision.photo import read_small
from fruitvision.whole_file import write_whole

# Long side, px. Our choice: sharp on a phone 390 px wide, about 40 kB.
THUMBNAIL_PX = 480


def thumbnail(photo: Path, kept: Path) -> bytes:
    """A small JPEG of a photo, from its file if that is there, else made and kept.

    A folder that can't be written costs time only: the picture is made anew each time.

    Parameters
    ----------
    photo : Path
        The photo.
    kept : Path
        Where its thumbnail is kept.

    Raises
    ------
    PhotoUnreadable
        If the photo is missing or damaged.
    """
    try:
        return kept.read_bytes()
    except OSError:
        content = _jpeg(photo)
    try:
        write_whole(kept, content)
    except OSError:
        return content
    return content


def _jpeg(photo: Path) -> bytes:
    content = BytesIO()
    small = PillowImage.fromarray(read_small(photo, THUMBNAIL_PX))
    small.save(content, "JPEG", quality=80)
    return content.getvalue()
