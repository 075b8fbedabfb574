"""What the timeline picture looks like: its paper, inks, patterns and measures, and the span of days that it shows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pipeline.records import Severity, Stage

PAPER, INK, QUIET, BARK, HOLLOW, EDGE, SEASON = (
    "#ffffff", "#1d1b19", "#6f6a64", "#efe8da", "#3a2f28", "#a3937f", "#e0d6c2",
)  # fmt: skip
STAGE_LOOKS: dict[Stage, tuple[str, str, str]] = {
    Stage.FRESH: ("#fffdf8", "", INK),
    Stage.RESINOUS: ("#e9ddc6", "....", INK),
    Stage.CALLUS: ("#dcd7c9", "////", INK),
    Stage.CLOSING: ("#c3c2b1", "", INK),
    Stage.CLOSED: ("#8d9280", "", "#ffffff"),
    Stage.REBARKED: ("#4e5549", "", "#ffffff"),
}
"""Fill, hatch and ink of each stage: darker as the wound passes on."""
MARKS = {Severity.ACT: "\u25a0", Severity.LOOK: "\u25b2", Severity.NOTE: "\u25cb"}
"""Signs of severity: filled square, triangle, open circle."""
WIDTH_IN, LEFT_IN, RIGHT_IN = 10.6, 1.9, 0.25
RIBBON_IN, LENS_IN, STRIP_IN, LINE_IN, GAP_IN = 0.24, 1.25, 0.92, 0.17, 0.42
HEAD_IN, TREE_IN, STEM_IN, FOOT_IN = 1.1, 0.62, 0.56, 0.2
PHOTOS_A_ROW = 9
SIGN_IN = 0.19
SIGN_P = 0.5
WRAP = 132


@dataclass(frozen=True, slots=True)
class Span:
    """The days that the picture shows."""

    first: date
    last: date
    today: date

    def x(self, day: date) -> float:
        """Place of a day, in days since the first."""
        return float((day - self.first).days)

    @property
    def days(self) -> float:
        """Length of the span."""
        return float((self.last - self.first).days)
