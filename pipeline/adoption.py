"""Which network reads a grove: taken into use by a person after a comparison, and given up again with one step.

``models/in-use.yaml`` in the grove names the network, as a settings file that ``grove.yaml`` goes before.  Who took it
into use, when, in place of which, and with what figures before their eyes stands in the log of what people did.
Photos that another network has read keep their readings until they are asked to be read again.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline import drift, readers
from pipeline.errors import ModelError, UsageError
from pipeline.store.audit import LogEntry

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime
    from pathlib import Path

    from pipeline.grove import Grove
    from pipeline.records import Review
    from pipeline.store import Store

TOOK, BACK = "took a network into use", "went back to the network before"
COMPARISON = "comparison"
COMPARISON_FILE = "comparison.json"
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,59}\Z")


@dataclass(frozen=True, slots=True)
class Network:
    """A network that could read this grove.

    Attributes
    ----------
    choice
        What the setting ``reading.model`` says for it.
    model
        Its name with version, as readings carry it.
    readings
        Readings that count and were made by it.
    comparison
        Content of its comparison, if there is one.
    """

    choice: str
    model: str
    in_use: bool
    readings: int
    comparison: dict[str, Any] | None
    problem: str = ""


def check_name(name: str) -> str:
    """A name that may become a folder in ``models/``.

    Raises
    ------
    UsageError
        If it holds anything but letters, digits, dot, dash and underscore.
    """
    if not _NAME.match(name) or name in (readers.CLASSICAL, readers.RELEASED):
        raise UsageError(
            f"'{name}' cannot be the name of a network.", "Use up to 60 letters, digits, dots, dashes and underscores."
        )
    return name


def networks(grove: Grove, store: Store) -> tuple[Network, ...]:
    """The classical reader, the newest release, and the grove's own networks."""
    counts = store.readings_by_reader()
    present = grove.settings.reading.model
    choices = [readers.CLASSICAL, readers.RELEASED, *own_choices(grove)]
    if present not in choices:
        choices.append(present)
    found = []
    for choice in choices:
        try:
            model, problem = readers.model_of(path_of(grove, choice)), ""
        except ModelError as error:
            model, problem = "", error.what
        found.append(Network(choice, model, choice == present, counts.get(model, 0),
                             comparison_of(grove, choice), problem))  # fmt: skip
    return tuple(found)


def own_choices(grove: Grove) -> list[str]:
    """The grove's own networks, as the setting names them."""
    if not grove.models.is_dir():
        return []
    return [f"models/{p.name}" for p in sorted(grove.models.iterdir()) if (p / readers.CONTRACT).is_file()]


def path_of(grove: Grove, choice: str) -> str:
    """What opens a choice, for :func:`pipeline.readers.open_reader`."""
    inside = grove.root / choice
    return str(inside) if (inside / readers.CONTRACT).is_file() else choice


def choice_of(grove: Grove, name: str) -> str:
    """The choice that a person's word stands for: a reader, a network's folder name, or a path.

    Raises
    ------
    UsageError
        If there is none.
    """
    if name in (readers.CLASSICAL, readers.RELEASED):
        return name
    own = f"models/{name.removeprefix('models/')}"
    if _NAME.match(name.removeprefix("models/")) and own in own_choices(grove):
        return own
    raise UsageError(f"This grove has no network '{name}'.", "woundwood model list GROVE names those there are.")


def comparison_of(grove: Grove, choice: str) -> dict[str, Any] | None:
    """The comparison that lies with a network of the grove; ``None`` without a readable one."""
    file = comparison_folder(grove, choice) / COMPARISON_FILE
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    sound = isinstance(content, dict) and isinstance(content.get("figures"), list)
    return content if sound and isinstance(content.get("cases"), list) else None


def comparison_folder(grove: Grove, choice: str) -> Path:
    """Where the comparison of a network of the grove lies."""
    return grove.root / choice / COMPARISON


def adopt(grove: Grove, store: Store, choice: str, who: str, at: datetime) -> str:
    """Let a network read this grove from the next run on.

    Parameters
    ----------
    choice
        From :func:`choice_of`.
    who
        The person who decided it.

    Returns
    -------
    The network's name with version.

    Raises
    ------
    UsageError
        If nobody is named, it is in use already, the settings name another one by hand, or a network of the grove was
        not compared with the one in use.
    ModelError
        If its folder is damaged.
    """
    before = grove.settings.reading.model
    model = _ready(grove, choice, who)
    figures, digest = [], ""
    if choice not in (readers.CLASSICAL, readers.RELEASED):
        content = comparison_of(grove, choice)
        old = readers.model_of(path_of(grove, before))
        if content is None or (content.get("old"), content.get("new")) != (old, model):
            raise UsageError(
                f"'{model}' was not compared with '{old}', which is in use.", f"woundwood model compare GROVE {choice}"
            )
        figures = [{k: line.get(k) for k in ("where", "words", "old", "new")} for line in content["figures"]]
        digest = hashlib.sha256((comparison_folder(grove, choice) / COMPARISON_FILE).read_bytes()).hexdigest()
    detail: dict[str, object] = {"choice": choice, "before": before, "figures": figures, "comparison": digest}
    store.log(LogEntry(at, who, TOOK, f"network {model}", detail))
    _write(grove, choice)
    return model


def go_back(grove: Grove, store: Store, who: str, at: datetime) -> str:
    """Let the network read that was in use before the present one.

    Raises
    ------
    UsageError
        If there was none before, or nobody is named.
    """
    earlier: list[str] = []
    for entry in store.log_of((TOOK, BACK)):
        if entry.act == TOOK:
            earlier.append(str(entry.detail.get("before", readers.RELEASED)))
        elif earlier:
            earlier.pop()
    if not earlier:
        raise UsageError("No network was in use before this one.", "woundwood model list GROVE names those there are.")
    model = _ready(grove, earlier[-1], who)
    detail: dict[str, object] = {"choice": earlier[-1], "before": grove.settings.reading.model}
    store.log(LogEntry(at, who, BACK, f"network {model}", detail))
    _write(grove, earlier[-1])
    return model


def _ready(grove: Grove, choice: str, who: str) -> str:
    if not who.strip() or not who.isprintable():
        raise UsageError("A network is taken into use by a person.", "Say who decided it.")
    origin = grove.origins.get("reading.model", "")
    if origin and origin != str(grove.in_use_file):
        raise UsageError(
            f"The setting reading.model is given by {origin}, which goes before this choice.",
            "Take it out there first.",
        )
    if choice == grove.settings.reading.model:
        raise UsageError(f"'{choice}' is in use already.", "Nothing was changed.")
    return readers.model_of(path_of(grove, choice))


def _write(grove: Grove, choice: str) -> None:
    grove.models.mkdir(exist_ok=True)
    note = "# Written by 'woundwood model use' and 'back'; who decided it stands in the log.\n"
    text = f"{note}reading:\n  model: {json.dumps(choice)}\n"
    half = grove.in_use_file.with_suffix(".part")
    half.write_text(text, encoding="utf-8")
    half.replace(grove.in_use_file)


# ---------------------------------------------------------------- drift


def drift_of(grove: Grove, store: Store, model: str) -> drift.Drift:
    """How a network's scores and its corrections went, month by month of the visits."""
    scores: list[drift.Scores] = []
    read: dict[str, tuple[str, int, dict[str, float]]] = {}
    for reading in store.readings(with_outlines=False):
        if reading.model != model:
            continue
        month = f"{reading.visit_on:%Y-%m}"
        p = {sign.words: seen.p for sign, seen in reading.signs.items()}
        scores.append(drift.Scores(month, {**p, "not a site": reading.not_a_site_p}))
        read[reading.sha256] = (month, int(reading.stage), {s.value: seen.p for s, seen in reading.signs.items()})
    checked = [drift.Checked(read[sha256][0], corrected)
               for sha256, corrected in _corrections(store.reviews(standing_only=True), read,
                                                     grove.settings.reading.sign_p)]  # fmt: skip
    return drift.watch(scores, checked)


def _corrections(
    reviews: Iterable[Review], read: dict[str, tuple[str, int, dict[str, float]]], sign_p: float
) -> list[tuple[str, bool]]:
    """For each photo of this network that a person judged, whether the person saw something else."""
    found: list[tuple[str, bool]] = []
    for review in reviews:
        said = review.payload
        if not said.get("is_lead") or review.sha256 not in read or said.get("verdict") not in ("sign", "not"):
            continue
        _, stage, p = read[review.sha256]
        flagged = {name for name, value in p.items() if value >= sign_p}
        other_stage = said.get("stage") is not None and said["stage"] != stage
        signs = said.get("signs")
        seen = set(signs) if isinstance(signs, list) else set()
        found.append((review.sha256, flagged != seen or other_stage))
    return found
