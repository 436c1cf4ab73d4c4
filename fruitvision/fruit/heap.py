"""Is it a tree that the fruit hang on, or are they in a bin?"""

from __future__ import annotations

from fruitvision.fruit.detector import Detections, Image

# Share of the picture that the seen parts of fruit cover in a heap. Our choice: in row photos they
# cover 0.04 to 0.08, in small windows cut from these up to 0.15, in heaps put together of such
# fruit 0.74 to 0.81.
LEAST_COVERED = 0.4
# Fewer fruit are no heap, but may be close up. Our choice.
FEWEST_FRUIT = 12


def covered_share(found: Detections, image: Image) -> float:
    """Share of an (H, W, 3) picture that the visible parts of all fruit cover, 0 to 1."""
    seen = sum(int(mask.sum()) for mask in found.masks)
    return float(seen / (image.shape[0] * image.shape[1]))


def is_heap(found: Detections, image: Image) -> bool:
    """Whether a picture shows hardly anything but fruit, as a bin or a crate does."""
    return len(found) >= FEWEST_FRUIT and covered_share(found, image) >= LEAST_COVERED
