"""The order in which labels teach most: where the network is in doubt and the photo is unlike those labelled already.

A photo's place among the others is what the network says of it together with how its patch looks: colour and light
in nine fields and how they scatter.  The patch is decoded at an eighth of its size, which takes well under a
millisecond, and only for the cases that are most in doubt.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image, UnidentifiedImageError

from pipeline import cache, picking
from pipeline.records import Sign, Stage

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from pipeline.review.desk import Desk
    from pipeline.review.queue import QueueCase

_log = logging.getLogger(__name__)
MOST_LOOKED_AT = 1500
"""Cases whose pictures are looked at; the others follow by doubt alone."""
MOST_PICKED = 400
MOST_LABELLED = 400
AGAIN_EVERY = 25
"""Answers after which the order is made anew; until then answered cases only leave it."""
SMALL_PX = 48
FIELDS = 3
LOOKS_WEIGHT = 0.5
"""Weight of a patch's looks (21 numbers) beside what the network says (11); own choice."""


@dataclass(frozen=True, slots=True)
class Worth:
    """One case in the order."""

    site: int
    doubt: float
    unsure_of: str


def case_doubt(case: QueueCase) -> float:
    """Doubt of a case's last visit, 0 to 1."""
    return float(picking.doubt([_sign_p(case)], [_stage_p(case)])[0])


def unsure_of(case: QueueCase) -> str:
    """What a case is most unsure of, in words."""
    p = np.array(_sign_p(case))
    bits = picking.entropy_bits(np.stack((p, 1 - p), axis=-1))
    stage = float(picking.entropy_bits(_stage_p(case))) / np.log2(len(Stage))
    return "the stage" if stage >= bits.max() else tuple(Sign)[int(bits.argmax())].words


def _sign_p(case: QueueCase) -> list[float]:
    return [case.sign_p.get(sign, 0.0) for sign in Sign]


def _stage_p(case: QueueCase) -> Sequence[float]:
    return case.stage_p or (1.0,) + (0.0,) * (len(Stage) - 1)


def looks(path: Path) -> NDArray[np.float64] | None:
    """How a patch looks, shape (21,); ``None`` if it cannot be read."""
    try:
        with Image.open(path) as image:
            image.draft("RGB", (SMALL_PX, SMALL_PX))
            small = np.asarray(image.convert("RGB").resize((SMALL_PX, SMALL_PX)), dtype=np.float64) / 255
    except (OSError, UnidentifiedImageError, ValueError) as error:
        _log.info("%s is not looked at: %s", path, error)
        return None
    light = small.mean(axis=2)
    # opponent colours: red against green, yellow against blue
    red_green, yellow_blue = small[..., 0] - small[..., 1], small[..., :2].mean(axis=2) - small[..., 2]
    edge = SMALL_PX // FIELDS
    fields = light.reshape(FIELDS, edge, FIELDS, edge).mean(axis=(1, 3)).ravel()
    green = red_green.reshape(FIELDS, edge, FIELDS, edge).min(axis=(1, 3)).ravel()
    rest = (yellow_blue.mean(), light.std(), np.abs(np.diff(light, axis=1)).mean())
    return np.concatenate((fields, green, rest))


class GainOrder:
    """Keeps the order of a grove's cases by expected gain."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._looks: dict[str, NDArray[np.float64] | None] = {}
        self._basis: tuple[object, int] | None = None
        self._order: list[int] = []

    def order(self, cases: Mapping[int, QueueCase], basis: object = None) -> list[int]:
        """Sites whose last visit nobody has judged, those that teach most first.

        Parameters
        ----------
        basis
            Changes when there are new photos or another reader: the order is then made anew.
        """
        labelled = {site for site, case in cases.items() if any(g.is_judgement for g in case.given)}
        wanted = (basis, len(labelled) // AGAIN_EVERY)
        if wanted != self._basis or basis is None:
            self._order = self._made(cases, labelled)
            self._basis = wanted
        return [site for site in self._order if site in cases and site not in labelled]

    def worth(self, cases: Mapping[int, QueueCase], count: int) -> list[Worth]:
        """The first of them with why."""
        return [Worth(site, case_doubt(cases[site]), unsure_of(cases[site])) for site in self.order(cases)[:count]]

    def _made(self, cases: Mapping[int, QueueCase], labelled: set[int]) -> list[int]:
        doubts = {site: case_doubt(case) for site, case in cases.items() if site not in labelled}
        by_doubt = sorted(doubts, key=lambda site: (-doubts[site], cases[site].place))
        near, far = by_doubt[:MOST_LOOKED_AT], by_doubt[MOST_LOOKED_AT:]
        known = sorted(labelled, key=lambda site: -max(g.lead for g in cases[site].given))[:MOST_LABELLED]
        if not near:
            return far
        places = self._places([cases[site] for site in (*near, *known)])
        picked = picking.order_by_gain(
            [doubts[site] for site in near], places[: len(near)], places[len(near) :], count=MOST_PICKED
        )
        return [near[row] for row in picked] + far

    def _places(self, cases: Sequence[QueueCase]) -> NDArray[np.float64]:
        said = picking.standardised([[*_sign_p(case), *_stage_p(case)] for case in cases])
        seen = [self._look(case.photos[-1]) for case in cases]
        there = [look for look in seen if look is not None]
        if not there:
            return said
        usual = np.mean(there, axis=0)
        pictures = picking.standardised([usual if look is None else look for look in seen])
        return np.concatenate((said, LOOKS_WEIGHT * pictures), axis=1)

    def _look(self, sha256: str) -> NDArray[np.float64] | None:
        if sha256 not in self._looks:
            path = cache.patch_path(self._desk.grove.cache, sha256)
            self._looks[sha256] = looks(path) if path.is_file() else None
        return self._looks[sha256]
