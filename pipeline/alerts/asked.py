"""A person who could not tell from the photos asked for another one: it is on the lists until it has come."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.alerts import cautions
from pipeline.alerts.view import site_finding
from pipeline.records import Severity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.alerts.view import TreeView
    from pipeline.records import Finding, Review

ASKED = "another photo asked for"
SPECIALIST = "a specialist"


def is_request(review: Review) -> bool:
    """Whether an answer says that it cannot be told from this photo and that another one would help."""
    said = review.payload
    return bool(said.get("is_lead")) and said.get("verdict") == "unsure" and said.get("ask") != SPECIALIST


def photo_asked_for(view: TreeView) -> Iterator[Finding]:
    """Somebody asked for another photo, and none has come since."""
    for site in view.sites:
        if site.last is None:
            continue
        # the answer must be about the last visit: a newer photo is what was asked for
        asked = [r for r in view.reviews if r.site == site.site.site and r.sha256 in site.last.photos and is_request(r)]
        if not asked:
            continue
        review = max(asked, key=lambda r: (r.at, r.id))
        since = review.answered_on
        wish = f" ({review.note})" if review.note else ""
        yield site_finding(
            ASKED,
            site,
            Severity.LOOK,
            since,
            detail=site.last.visit_on.isoformat(),
            why=(
                f"{review.who} could not tell from the photo of site {site.site.site} of "
                f"{site.last.visit_on.isoformat()} and asked for another one{wish}."
            ),
            figures={"days": float(max(0, (view.today - since).days))},
            threshold="a person's request, until a photo of a later day has come",
            source="a person's answer",
            next_step="Photograph this site on the next walk: sharp, from near, in even light.",
            caution=cautions.REACH,
            photos=[review.sha256],
        )
