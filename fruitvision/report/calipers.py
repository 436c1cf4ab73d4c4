"""What calipered fruit say of photo millimetres, in words."""

from __future__ import annotations

from collections.abc import Sequence

from fruitvision.caliper_check import print_words
from fruitvision.domain import CaliperCheck
from fruitvision.pipeline.calipers import WalkCheck
from fruitvision.report.words import many, refused_lines


def caliper_check_lines(found: Sequence[WalkCheck]) -> list[str]:
    """One walk after the other: offset, slope, noise, and what was left out."""
    if not found:
        return ["No calipered fruit is tied to a photo yet."]
    lines = []
    for one in found:
        lines.append(f"{one.block_id}, walk of {one.walked_on}")
        lines += [f"  {sentence}" for sentence in check_words(one.check)]
        lines += [f"  {line}" for line in refused_lines(one.unmatched)]
    return lines


def check_words(check: CaliperCheck) -> list[str]:
    """Sentences on one walk."""
    words = []
    if check.pairs:
        words += [
            f"{check.pairs} calipered fruit in {many(check.photos, 'photo')}. "
            f"Photos read {_off_words(check)} at {check.middle_mm:.0f} mm "
            f"(± {check.bias_error_mm:.1f} mm).",
            f"Slope {check.slope:.3f} (± {check.slope_error:.3f}) mm per mm, offset "
            f"{check.offset_mm:+.1f} mm at 0 mm.",
            f"Noise of one fruit {check.noise_mm:.1f} mm, {check.noise_factor:.2f} times what "
            f"the photos state (± {100 * check.noise_factor_error:.0f} %).",
        ]
    else:
        words.append("No calipered fruit can be used: photo millimetres stay as they are.")
    if check.left_out:
        words.append(
            f"{many(check.left_out, 'pair')} left out: photo and caliper differ by more than one "
            "fruit's error. Is it the same fruit, and in mm?"
        )
    if check.printed_scale is not None:
        words.append(print_words(check))
    return words


def _off_words(check: CaliperCheck) -> str:
    if abs(check.bias_mm) < 0.05:
        return "rightly"
    return f"{abs(check.bias_mm):.1f} mm {'large' if check.bias_mm > 0 else 'small'}"
