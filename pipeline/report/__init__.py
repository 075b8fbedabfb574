"""What people read and print: one picture a tree, and one HTML report that opens from a USB stick."""

from pipeline.report.lessons_picture import lessons_picture
from pipeline.report.pages import write
from pipeline.report.picture import timeline_picture
from pipeline.report.rim_picture import latest_rim, rim_picture

__all__ = ["latest_rim", "lessons_picture", "rim_picture", "timeline_picture", "write"]
