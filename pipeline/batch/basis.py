"""What a result rests on besides photo, reader and settings hash: a few lines of the register and of the intake.

A girth that is corrected, a site that is added, a time zone that is set right change what a photo
says.  Each result keeps a short digest of what it used; when the digest of today differs, the
photo is read again.  A new girth of this year leaves the readings of last year alone.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

from pipeline.records import PhotoStage, Reading, Register

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from pipeline.records import Refusal
    from pipeline.settings import Settings
    from pipeline.store import ResultBasis


class Bases:
    """Digests against one register and one set of settings."""

    def __init__(self, register: Register, settings: Settings) -> None:
        self._register = register
        # how long a file rests in the inbox says nothing about the photo
        intake = settings.intake.model_dump(mode="json", exclude={"settle_s", "cut_off_wait_s"})
        self._everywhere = _digest([intake, settings.grove.timezone])
        self._numbers = _digest(sorted(register.sites))

    def of(self, found: Reading | Refusal) -> str:
        """Digest for a fresh result."""
        if isinstance(found, Reading):
            return self._of(found.site, found.visit_on, "")
        return self._of(found.site, None, found.stage.value)

    def today(self, stored: ResultBasis) -> str:
        """Digest that a stored result would have today."""
        return self._of(stored.site, stored.visit_on, stored.refused_at)

    def _of(self, site: int | None, visit_on: date | None, refused_at: str) -> str:
        if site is not None:
            return f"{self._everywhere} {_digest(self._site(site, visit_on))}"
        if refused_at == PhotoStage.CARD:  # an unknown number, or one that could be any of several
            return f"{self._everywhere} {self._numbers}"
        return self._everywhere

    def _site(self, number: int, visit_on: date | None) -> Mapping[str, Any]:
        register = self._register
        site = register.sites.get(number)
        if site is None:
            return {"unknown": number}
        facts: dict[str, Any] = {
            "kind": site.kind.value,
            "first": [site.first_width_mm, site.first_height_mm],
        }
        if visit_on is not None:
            facts["girth"] = register.girth_mm(number, visit_on)
        else:
            stem = register.stems.get((site.tree, site.stem))
            facts["girths"] = [site.girth_mm, *(str(girth) for girth in (stem.girths if stem else ()))]
        return facts


def _digest(content: object) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:12]
