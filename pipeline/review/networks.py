"""For a steward: the networks of the grove, and how a new one compares with the one in use, case by case in pictures.

The page decides nothing: a network is taken into use at the machine, by name (``woundwood model use``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse

from pipeline import adoption, readers
from pipeline.errors import UsageError
from pipeline.records import Sign

if TYPE_CHECKING:
    from starlette.responses import Response

    from pipeline.review.app import Rooms
    from pipeline.review.visits import Visit

WHATS = (
    ("found", "Newly found", "A person saw the sign here; only the new network flags it."),
    ("missed", "Newly missed", "A person saw the sign here; only the network in use flags it."),
    ("needless", "New false alarms", "A person saw no such sign here; only the new network flags it."),
    ("spared", "False alarms gone", "A person saw no such sign here; only the network in use flags it."),
)
WHERE = {"held": "Cases of trees held back", "release": "Release benchmark"}


def networks_page(rooms: Rooms, visit: Visit) -> Response:
    """All networks, which one reads, and who decided it."""
    grove, store = rooms.desk.grove, rooms.desk.store
    found = adoption.networks(grove, store)
    steps = store.log_of((adoption.TOOK, adoption.BACK))[::-1][:20]
    return rooms.page("networks.html", visit, networks=found, steps=steps)


def network_page(rooms: Rooms, visit: Visit) -> Response:
    """One network of the grove beside the one in use."""
    choice = _choice(rooms, visit)
    content = adoption.comparison_of(rooms.desk.grove, choice)
    if content is None:
        raise UsageError("This network was not compared yet.", "woundwood model compare GROVE NETWORK does it.")
    groups = [(words, what, why, [case for case in content["cases"] if case["what"] == what])
              for what, words, why in WHATS]  # fmt: skip
    in_use = readers.model_of(rooms.desk.grove.reader)
    return rooms.page(
        "network.html",
        visit,
        content=content,
        groups=groups,
        name=choice.removeprefix("models/"),
        where=WHERE,
        sign_words={sign.value: sign.words for sign in Sign},
        still=content["old"] == in_use,
        in_use=in_use,
    )


def comparison_picture(rooms: Rooms, visit: Visit) -> Response:
    """A picture of a comparison; only names that the comparison itself lists."""
    choice = _choice(rooms, visit)
    content = adoption.comparison_of(rooms.desk.grove, choice)
    wanted = visit.parts["picture"] + ".jpg"
    listed = {case.get("picture") for case in content["cases"]} if content is not None else set()
    path = adoption.comparison_folder(rooms.desk.grove, choice) / wanted
    if wanted not in listed or "/" in wanted or "\\" in wanted or not path.is_file():
        raise HTTPException(404)
    return FileResponse(path, media_type="image/jpeg", headers={"cache-control": "private, no-cache"})


def _choice(rooms: Rooms, visit: Visit) -> str:
    choice = f"models/{visit.parts['network']}"
    if choice not in adoption.own_choices(rooms.desk.grove):
        raise HTTPException(404)
    return choice
