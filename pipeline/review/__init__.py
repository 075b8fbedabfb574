"""The second pair of eyes: a small web application in which a person judges what was flagged.

    browser ──security──> pages ──> queue / cases / pictures / agreement      (what is shown)
                            └─────> answers ──> store ──> alerts of that tree (what is decided)

Photos show signs, never causes: a person decides, and only a laboratory names a disease.
"""

from pipeline.review.app import build_app, serve
from pipeline.review.desk import Desk

__all__ = ["Desk", "build_app", "serve"]
