"""A JPEG's pixels straight into one array: a phone's photo, a third of the time.

Pillow keeps a picture line by line and four bytes a pixel, so that each array made of it is copied
several times over. OpenCV decodes with the same library into the array itself, to the same values.
It says less of damage, though: whatever is not plainly whole is left to Pillow.
"""

from __future__ import annotations

import re

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]

# Markers (ITU-T T.81, table B.1) after which a segment with its length follows, and may in a whole
# photo: tables, frames of Huffman coding, scans, comments, applications' own.
_SOI, _EOI, _SOS = 0xD8, 0xD9, 0xDA
_SEGMENTS = frozenset((0xC0, 0xC1, 0xC2, 0xC4, 0xDA, 0xDB, 0xDD, 0xFE, *range(0xE0, 0xF0)))
# What ends the coded pixels: a marker that is neither a stuffed zero nor a restart.
_ENDS_PIXELS = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
# Turns by the orientation tag (Exif 2.32, tag 0x0112): transposed first, then flipped by what
# `cv2.flip` calls each way.
_UPSIDE_DOWN, _SIDEWAYS, _BOTH = 0, 1, -1
_TURNS: dict[object, tuple[bool, int | None]] = {
    2: (False, _SIDEWAYS),
    3: (False, _BOTH),
    4: (False, _UPSIDE_DOWN),
    5: (True, None),
    6: (True, _SIDEWAYS),
    7: (True, _BOTH),
    8: (True, _UPSIDE_DOWN),
}


def decoded_jpeg(content: bytes) -> Image | None:
    """(H, W, 3) uint8 RGB of a colour JPEG, as it is stored; None if it is not plainly whole."""
    if not is_whole_jpeg(content):
        return None
    how = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        image = cv2.imdecode(np.frombuffer(content, dtype=np.uint8), how)
    except cv2.error:
        return None
    return None if image is None else np.asarray(image, dtype=np.uint8)


def is_whole_jpeg(content: bytes) -> bool:
    """Whether a JPEG's segments follow each other from its start to the end of its first picture.

    A file cut short, and one with markers where there can be none, is not.
    """
    at, pixels = 2, False
    if content[:2] != bytes((0xFF, _SOI)):
        return False
    while at + 4 <= len(content) or content[at : at + 2] == bytes((0xFF, _EOI)):
        marker = content[at + 1]
        if content[at] != 0xFF or marker == _EOI:
            return content[at] == 0xFF and pixels
        if marker not in _SEGMENTS:
            return False
        at += 2 + int.from_bytes(content[at + 2 : at + 4], "big")
        if marker == _SOS:
            pixels = True
            ended = _ENDS_PIXELS.search(content, at)
            if ended is None:
                return False
            at = ended.start()
    return False


def turned_upright(image: Image, orientation: object) -> Image:
    """The picture as the orientation tag says that it was held; an odd tag turns nothing."""
    transposed, flip = _TURNS.get(orientation, (False, None))
    if transposed:
        image = np.asarray(cv2.transpose(image), dtype=np.uint8)
    return image if flip is None else np.asarray(cv2.flip(image, flip), dtype=np.uint8)
