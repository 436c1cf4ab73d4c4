"""What photos of one face from places a step apart told together, in words."""

from __future__ import annotations

from collections.abc import Sequence

from fruitvision.pipeline.views import Faces
from fruitvision.report.words import many
from fruitvision.views.face import JoinedFace


def face_lines(face: JoinedFace) -> list[str]:
    """What the photos of one face told together; nothing if they could not be joined."""
    if not face.joined:
        return []
    return [
        f"{_listed(face.joined)} together: {face.shared} fruit seen from two places, "
        f"{face.distinct} in all, each counted once; step {face.step_mm / 10:.0f} cm"
    ]


def faces_lines(faces: Faces) -> list[str]:
    """How many faces were measured from two places, and which photos could not be joined."""
    joined = [face for face in faces.joined if face.joined]
    lines = []
    if joined:
        shared = sum(face.shared for face in joined)
        lines.append(
            f"{many(len(joined), 'face')} measured from two places or more: {shared:,} fruit "
            "with a distance of their own."
        )
    return lines + [f"Not measured together: {problem}" for problem in faces.not_joined]


def _listed(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"
