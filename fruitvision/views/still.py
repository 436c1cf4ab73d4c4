"""Whether two photos differ by a turn or a zoom only, with no step between them."""

from __future__ import annotations

import cv2
import numpy as np

from fruitvision.views.view import View

# How near a fruit must stand to where a turned or zoomed picture puts it, as a share of the focal
# length (4 px of 1800): a step of 70 mm moves fruit 10 cm apart in depth by 2.5 px against each
# other, one of 400 mm by 14.
_NEAR_SHARE = 4.0 / 1800.0
# Rounds in which the guess is drawn to the fruit, and how near they are looked for at first.
_ROUNDS = 6
_FIRST_SHARE = 60.0 / 1800.0


def share_unmoved(first: View, second: View) -> float:
    """Share of the fruit of the photo with fewer that stand where a turn or zoom would put them.

    Notes
    -----
    Pictures from one place differ by a homography, whatever the depths (Hartley and Zisserman,
    Multiple View Geometry, 2nd edition, chapter 8). It starts from the marker's corners, and is
    fitted to the fruit that lie near, ever nearer.
    """
    fewer = min(len(first.shares), len(second.shares))
    if fewer < 4:
        return 0.0
    focal_px = second.camera.focal_px
    start, _ = cv2.estimateAffinePartial2D(first.corners_px, second.corners_px)
    if start is None:
        return 0.0
    plane = np.vstack([start, [0.0, 0.0, 1.0]])
    near = 0
    for reach in np.geomspace(_FIRST_SHARE, _NEAR_SHARE, _ROUNDS) * focal_px:
        put = cv2.perspectiveTransform(first.centres_px[None], plane)[0]
        apart = np.linalg.norm(put[:, None] - second.centres_px, axis=2)
        rows, columns = apart.argmin(axis=0), apart.argmin(axis=1)
        mutual = np.flatnonzero(rows[columns] == np.arange(len(put)))
        mutual = mutual[apart[mutual, columns[mutual]] < reach]
        near = len(mutual)
        if near < 4:
            return 0.0
        one = np.vstack([first.centres_px[mutual], first.corners_px])
        other = np.vstack([second.centres_px[columns[mutual]], second.corners_px])
        fitted, _ = cv2.findHomography(one, other, 0)
        if fitted is None:
            return 0.0
        plane = fitted
    return near / fewer
