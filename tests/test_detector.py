"""What every detector gives, whatever its kind."""

from dataclasses import replace

import numpy as np
import pytest

from fruitvision.domain import Reference
from fruitvision.errors import DetectorUnknown
from fruitvision.fruit.detector import Detections, choose_detector, detector_names
from fruitvision.reference import sheet_px


def detections(*centres: tuple[float, float]) -> Detections:
    n = len(centres)
    return Detections(
        outlines=np.array([(x, y, 20.0, 18.0, 0.0) for x, y in centres]).reshape(n, 5),
        masks=tuple(np.ones((3, 3), bool) for _ in centres),
        mask_origins=np.zeros((n, 2), np.int64),
        visible_shares=np.ones(n),
        scores=np.linspace(0.9, 0.1, n),
        on_this_row=np.ones(n, bool),
        boxes=np.array([(x - 10, y - 9, x + 10, y + 9) for x, y in centres]).reshape(n, 4),
    )


def test_fruit_on_the_marker_sheet_are_left_out() -> None:
    square = ((100.0, 100.0), (200.0, 100.0), (200.0, 200.0), (100.0, 200.0))
    reference = Reference(
        marker_id=7,
        side_mm=150,
        corners_px=square,
        side_px=100,
        tilt_deg=0,
        mm_per_px=1.5,
        mm_per_px_error=0.01,
    )
    # Centre, on the white border (70 px from the middle), just outside it.
    kept = detections((150, 150), (215, 150), (225, 150)).outside([sheet_px(reference)])
    assert kept.outlines[:, 0].tolist() == [225.0]
    assert kept.scores.tolist() == pytest.approx([0.1])
    assert kept.boxes.tolist() == [[215.0, 141.0, 235.0, 159.0]]


def test_nothing_to_leave_out_and_no_fruit() -> None:
    assert len(detections((1, 2)).outside([])) == 1
    assert len(detections().outside([np.zeros((4, 2))])) == 0


def test_shapes_that_disagree_are_refused() -> None:
    good = detections((1, 2))
    with pytest.raises(ValueError, match=r"scores must have shape \(1,\), got \(2,\)"):
        Detections(
            outlines=good.outlines,
            masks=good.masks,
            mask_origins=good.mask_origins,
            visible_shares=good.visible_shares,
            scores=np.ones(2),
            on_this_row=good.on_this_row,
            boxes=good.boxes,
        )


def test_a_box_without_an_inside_is_refused() -> None:
    with pytest.raises(ValueError, match="boxes must be wider and higher than 0 px"):
        replace(detections((1, 2)), boxes=np.array([[3.0, 0.0, 3.0, 5.0]]))


def test_detectors_are_chosen_by_name_and_never_guessed() -> None:
    assert detector_names() == ("classical", "learned")
    # The learned one is held by test_learned.
    detector = choose_detector("classical")
    assert detector.name == "classical"
    assert detector.version
    assert detector.limits.endswith(".")
    with pytest.raises(DetectorUnknown, match="Did you mean 'classical'"):
        choose_detector("clasical")
