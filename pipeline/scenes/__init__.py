"""Drawn photos of wound sites with exact truth: the stages' independent check, the demo and training.

``render(spec)`` gives a picture and its :class:`Truth`; ``write_photo`` writes it with tags.  Nothing here
uses the measuring stages.
"""

from pipeline.scenes.photo import write_photo
from pipeline.scenes.render import render, truth_of
from pipeline.scenes.spec import (
    BarkSpec,
    CameraSpec,
    CardHang,
    LightSpec,
    LookalikeSpec,
    PhotoTags,
    SceneSpec,
    SignSpec,
    WoundState,
)
from pipeline.scenes.truth import OpeningTruth, Truth

__all__ = [
    "BarkSpec",
    "CameraSpec",
    "CardHang",
    "LightSpec",
    "LookalikeSpec",
    "OpeningTruth",
    "PhotoTags",
    "SceneSpec",
    "SignSpec",
    "Truth",
    "WoundState",
    "render",
    "truth_of",
    "write_photo",
]
