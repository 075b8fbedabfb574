"""What a person said of a case, as it lies in the payload of the first of its answers; and where two disagree."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from pipeline.records import Sign, Stage

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from pipeline.records import Review


class Verdict(StrEnum):
    """The three answers to "what do you see?"."""

    SIGN = "sign"
    NOT = "not"
    UNSURE = "unsure"


class Instead(StrEnum):
    """What it is when it is not a sign."""

    MOSS = "moss"
    LICHEN = "lichen"
    RESIN = "resin"
    ALGAE = "algae"
    MUD = "mud"
    SHADOW = "shadow"
    ANTS = "ants"
    NOTHING = "nothing to be seen"
    OTHER = "other"


class Ask(StrEnum):
    """What to do when it cannot be told."""

    PHOTO = "another photo"
    SPECIALIST = "a specialist"


@dataclass(frozen=True, slots=True)
class Given:
    """One person's verdict on one case.

    Attributes
    ----------
    lead
        Number of the first answer of the form; the others name it in ``payload["lead"]``.
    signs
        Signs that the person sees; empty also where it cannot be told.
    stage
        Stage that the person named, if they did.
    blind
        Whether the network's opinion and earlier answers were hidden.
    resolves
        Whether the person knew of a disagreement and settled it.
    network
        What the network had said of the photo: probability by sign, and the stage.
    share
        Share with which cases of this kind were drawn to be asked blind; 0 where none was drawn.
    reader
        Name with version of the reader that had read the photo then; empty in older answers.
    """

    lead: int
    who: str
    at: datetime
    site: int
    sha256: str
    verdict: Verdict | None
    signs: frozenset[Sign]
    stage: Stage | None
    blind: bool
    kind: str
    resolves: bool
    instead: str
    ask: str
    note: str
    network: dict[str, float]
    share: float
    reader: str = ""

    @property
    def is_judgement(self) -> bool:
        """Whether it says that signs are there or not."""
        return self.verdict in (Verdict.SIGN, Verdict.NOT)

    @property
    def words(self) -> str:
        """The verdict in words."""
        if self.verdict is Verdict.SIGN:
            return "Sign: " + ", ".join(sign.words for sign in Sign if sign in self.signs)
        if self.verdict is Verdict.NOT:
            return "Not a sign" + (f" ({self.instead})" if self.instead else "")
        if self.verdict is Verdict.UNSURE:
            return "Cannot tell" + (f", asks for {self.ask}" if self.ask else "")
        return f"Stage: {self.stage.word}" if self.stage is not None else "Note"


def given_of(review: Review) -> Given | None:
    """The verdict of a lead answer; ``None`` for any other answer."""
    content: dict[str, Any] = review.payload
    if not content.get("is_lead") or review.site is None:
        return None
    verdict, stage = content.get("verdict"), content.get("stage")
    return Given(
        lead=review.id,
        who=review.who,
        at=review.at,
        site=review.site,
        sha256=review.sha256,
        verdict=None if verdict is None else Verdict(verdict),
        signs=frozenset(Sign(name) for name in content.get("signs", ())),
        stage=None if stage is None else Stage(stage),
        blind=bool(content.get("blind")),
        kind=str(content.get("kind", "")),
        resolves=bool(content.get("resolves")),
        instead=str(content.get("instead", "")),
        ask=str(content.get("ask", "")),
        note=review.note,
        network=dict(content.get("network", {})),
        share=float(content.get("share", 0.0)),
        reader=str(content.get("reader", "")),
    )


def standing_given(reviews: Iterable[Review]) -> list[Given]:
    """Verdicts that were not replaced or taken back, oldest first."""
    kept = list(reviews)
    replaced = {review.replaces for review in kept if review.replaces is not None}
    found = [given_of(review) for review in kept if review.id not in replaced]
    return [given for given in found if given is not None]


def disagree(given: Iterable[Given]) -> bool:
    """Whether two persons see different signs and nobody has settled it since."""
    judged = [g for g in given if g.is_judgement]
    if judged and max(judged, key=lambda g: g.lead).resolves:
        return False
    return len({g.who for g in judged}) > 1 and len({g.signs for g in judged}) > 1
