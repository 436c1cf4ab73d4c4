"""Pictures for the invented farm: leaves and fruit roughly drawn, each file another photo."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

# A phone's 12 megapixels, and a size of which thousands fit on a disk; width, height.
LARGE_PX, SMALL_PX = (3000, 4000), (600, 800)
# A comment of a JPEG: marker and its two bytes of length (ISO/IEC 10918-1, B.2.4.5).
COMMENT = b"\xff\xfe"
SEED = 4


@cache
def orchard_jpeg(*, large: bool) -> tuple[bytes, int, int]:
    """A picture as JPEG, its width and its height, px."""
    width_px, height_px = LARGE_PX if large else SMALL_PX
    draw = np.random.default_rng(SEED)
    coarse = draw.normal(0, 25, (height_px // 25, width_px // 25, 3))
    leaves = cv2.resize(coarse, (width_px, height_px), interpolation=cv2.INTER_CUBIC)
    fine = draw.normal(0, 8, leaves.shape)
    picture = (leaves + fine + np.array([50, 110, 60])).clip(0, 255).astype(np.uint8)
    for x, y in draw.uniform(0.05, 0.95, (60, 2)):
        centre = int(x * width_px), int(y * height_px)
        cv2.circle(picture, centre, width_px // 60, (60, 60, 190), -1, cv2.LINE_AA)
    coded = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 80])[1]
    return coded.tobytes(), width_px, height_px


def numbered_jpeg(content: bytes, words: str) -> bytes:
    """The same picture as another file: with a comment behind the first two bytes."""
    text = words.encode()
    return content[:2] + COMMENT + (len(text) + 2).to_bytes(2) + text + content[2:]
