"""Outlines of balls seen through a pinhole, off the axis: 48 cases from published formulas.

The outline of a ball of radius r, its centre at distance d and t off the axis, is an ellipse of
half axes f sin 2a / (cos 2t + cos 2a) and f sin a / sqrt(cos² t - sin² a), sin a = r / d. The conic
is known from projective geometry (Hartley and Zisserman, Multiple View Geometry, 2nd edition,
chapter 8); the numbers were checked by brute force to 1e-4 px. f = 1000 px.
"""

import numpy as np
import pytest

from fruitvision.scale import remove_off_axis_stretch

# Diameter mm, distance of the centre mm, degrees off the axis, long axis px, short axis px, px by
# which the ellipse's centre lies beyond the ball's.
CASES = [
    (60, 300, 0, 201.0076, 201.0076, 0.0),
    (60, 300, 10, 207.3222, 204.1405, 1.837),
    (60, 300, 20, 227.9409, 214.051, 4.1691),
    (60, 300, 30, 268.9155, 232.4953, 7.802),
    (60, 500, 0, 120.2166, 120.2166, 0.0),
    (60, 500, 10, 123.9682, 122.078, 0.657),
    (60, 500, 20, 136.2074, 127.9624, 1.4899),
    (60, 500, 30, 160.4821, 138.8978, 2.7846),
    (60, 1000, 0, 60.027, 60.027, 0.0),
    (60, 1000, 10, 61.8951, 60.9539, 0.1638),
    (60, 1000, 20, 67.9872, 63.8832, 0.3713),
    (60, 1000, 30, 80.0601, 69.3236, 0.6937),
    (60, 1500, 0, 40.008, 40.008, 0.0),
    (60, 1500, 10, 41.2524, 40.6254, 0.0728),
    (60, 1500, 20, 45.3104, 42.5768, 0.1649),
    (60, 1500, 30, 53.3511, 46.2003, 0.3081),
    (75, 300, 0, 251.9763, 251.9763, 0.0),
    (75, 300, 10, 259.9388, 255.9266, 2.8873),
    (75, 300, 20, 285.958, 268.43, 6.5564),
    (75, 300, 30, 337.7555, 291.73, 12.284),
    (75, 500, 0, 150.4237, 150.4237, 0.0),
    (75, 500, 10, 155.1278, 152.7576, 1.0286),
    (75, 500, 20, 170.4787, 160.1375, 2.3334),
    (75, 500, 30, 200.9438, 173.8583, 4.3628),
    (75, 1000, 0, 75.0528, 75.0528, 0.0),
    (75, 1000, 10, 77.3897, 76.2123, 0.256),
    (75, 1000, 20, 85.0112, 79.877, 0.5806),
    (75, 1000, 30, 100.1174, 86.6838, 1.0846),
    (75, 1500, 0, 50.0156, 50.0156, 0.0),
    (75, 1500, 10, 51.5717, 50.7877, 0.1137),
    (75, 1500, 20, 56.6461, 53.2277, 0.2578),
    (75, 1500, 30, 66.7014, 57.7591, 0.4815),
    (90, 300, 0, 303.433, 303.433, 0.0),
    (90, 300, 10, 313.0912, 308.2243, 4.1879),
    (90, 300, 20, 344.6812, 323.4001, 9.5167),
    (90, 300, 30, 407.7056, 351.7262, 17.8562),
    (90, 500, 0, 180.7335, 180.7335, 0.0),
    (90, 500, 10, 186.4, 183.5449, 1.4851),
    (90, 500, 20, 204.8977, 192.4366, 3.3696),
    (90, 500, 30, 241.6357, 208.9776, 6.3035),
    (90, 1000, 0, 90.0913, 90.0913, 0.0),
    (90, 1000, 10, 92.8982, 91.484, 0.3689),
    (90, 1000, 20, 102.0535, 95.886, 0.8366),
    (90, 1000, 30, 120.203, 104.0636, 1.5631),
    (90, 1500, 0, 60.027, 60.027, 0.0),
    (90, 1500, 10, 61.8951, 60.9539, 0.1638),
    (90, 1500, 20, 67.9872, 63.8832, 0.3713),
    (90, 1500, 30, 80.0601, 69.3236, 0.6937),
]


@pytest.mark.parametrize("direction_deg", [0.0, 64.0, -37.0])
def test_the_diameter_comes_back_from_every_outline(direction_deg: float) -> None:
    cases = np.array(CASES, dtype=np.float64)
    diameter_mm, distance_mm, off_deg, long_px, short_px, shift_px = cases.T
    depth_mm = distance_mm * np.cos(np.radians(off_deg))
    from_middle = 1000 * np.tan(np.radians(off_deg)) + shift_px
    towards = np.array([np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))])
    outlines = np.column_stack(
        [
            700 + from_middle * towards[0],
            500 + from_middle * towards[1],
            long_px,
            short_px,
            np.full(len(cases), direction_deg),
        ]
    )
    freed = remove_off_axis_stretch(outlines, focal_px=1000.0, principal_point_px=(700.0, 500.0))
    assert len(cases) == 48
    assert freed * depth_mm / 1000 == pytest.approx(diameter_mm, rel=2e-5)
