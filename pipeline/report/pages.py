"""The HTML report: an index with the week's list, and a page a tree; relative links only, no script."""

from __future__ import annotations

import hashlib
import re
import shutil
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.alerts import stem_girdle, week_list
from pipeline.alerts.week import place_of, walking_order
from pipeline.records import AlertState, Outcome, Severity, Stage
from pipeline.report.look import MARKS
from pipeline.report.picture import timeline_picture
from pipeline.report.rim_picture import latest_rim, rim_picture, rim_words
from pipeline.report.tables import site_tables, site_words
from pipeline.report.words import CAUTIONS, HOW_TO_READ, describe, say

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date

    from jinja2 import Environment

    from pipeline.records import Alert, Finding, ImageRGB, PhotoFacts, Register, RimField, SiteHistory, TreeHealth

TEMPLATES = Path(__file__).resolve().parent / "templates"
SITES_A_PICTURE = 4
ORDER = (Severity.ACT, Severity.LOOK, Severity.NOTE)


@dataclass(frozen=True, slots=True)
class AlertRow:
    """An alert as a page shows it."""

    severity: str
    rule: str
    where: str
    href: str
    anchor: str
    why: str
    next_step: str
    caution: str
    threshold: str
    source: str
    figures: tuple[tuple[str, str], ...]
    since: str
    life: str
    photos: tuple[dict[str, str], ...]


@dataclass(frozen=True, slots=True)
class _Grove:
    """What all pages need."""

    name: str
    healths: Sequence[TreeHealth]
    register: Register
    today: date
    patches: Callable[[str], ImageRGB | None]
    growing_months: Sequence[int]
    patch_mm: Callable[[int], float | None]
    folder: Path
    slugs: Mapping[str, str]
    rim_fields: Mapping[str, RimField]


def write(
    grove_name: str,
    healths: Sequence[TreeHealth],
    alerts: Sequence[Alert],
    summary: Mapping[str, object],
    photos: Sequence[PhotoFacts],
    folder: Path,
    *,
    register: Register,
    today: date,
    patches: Callable[[str], ImageRGB | None] = lambda _: None,
    growing_months: Sequence[int] = (),
    patch_mm: Callable[[int], float | None] = lambda _: None,
    rim_fields: Mapping[str, RimField] | None = None,
) -> Path:
    """Write the report of a grove.

    Parameters
    ----------
    healths
        Every tree of the grove.
    alerts
        Alerts in every state; closed ones are left out.
    summary
        What came in, as name and number, in order.
    photos
        Every file that arrived; the refused ones are listed with what to do.
    folder
        Where to; made if missing. Files of an earlier report there are replaced.
    patches, patch_mm
        As in :func:`~pipeline.report.picture.timeline_picture`.
    rim_fields
        Where rims advanced, with arcs and rims, by the later photo; those that are not given are not drawn.

    Returns
    -------
    Path
        The file to open, ``index.html``.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trees").mkdir(exist_ok=True)
    grove = _Grove(
        grove_name, healths, register, today, patches, growing_months, patch_mm, folder,
        slugs_of([health.tree.tree for health in healths]), rim_fields or {},
    )  # fmt: skip
    shutil.copyfile(TEMPLATES / "style.css", folder / "style.css")
    rows = _alert_rows(grove, alerts)
    environment = _environment()
    for health in healths:
        context = _tree_context(grove, health, [row for tree, row in rows if tree == health.tree.tree])
        _render(environment, "tree.html", folder / "trees" / f"{grove.slugs[health.tree.tree]}.html", grove, context)
    context = _index_context(grove, alerts, [row for _, row in rows], summary, photos)
    _render(environment, "index.html", folder / "index.html", grove, context)
    return folder / "index.html"


def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.globals["t"] = say
    environment.globals["marks"] = {severity.value: mark for severity, mark in MARKS.items()}
    return environment


def _render(environment: Environment, template: str, path: Path, grove: _Grove, context: dict[str, Any]) -> None:
    text = environment.get_template(template).render(made_on=grove.today.isoformat(), **context)
    path.write_text(text, encoding="utf-8")


def slugs_of(names: Sequence[str]) -> dict[str, str]:
    """File names for tree numbers: plain letters and digits, different for different trees on any file system."""
    slugs: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        plain = re.sub(r"[^A-Za-z0-9-]+", "_", name).strip("_")[:60]
        if plain != name or plain.lower() in taken:
            plain = f"{plain or 'tree'}_{hashlib.sha256(name.encode()).hexdigest()[:8]}"
        taken.add(plain.lower())
        slugs[name] = plain
    return slugs


def _alert_rows(grove: _Grove, alerts: Sequence[Alert]) -> list[tuple[str, AlertRow]]:
    shown = [alert for alert in alerts if alert.state is not AlertState.CLOSED]
    shown.sort(key=lambda a: (ORDER.index(a.finding.severity), walking_order(a.finding.tree, grove.register), a.id))
    return [(alert.finding.tree, _alert_row(grove, alert)) for alert in shown]


def _alert_row(grove: _Grove, alert: Alert) -> AlertRow:
    finding = alert.finding
    where = say("tree_name", tree=finding.tree)
    where += ", " + (
        say("site_word", site=finding.site) if finding.site is not None else say("stem_word", stem=finding.stem)
    )
    life = say("life_line", id=alert.id, opened=alert.opened_on.isoformat(), updated=alert.updated_on.isoformat())
    if alert.state is AlertState.ACKNOWLEDGED:
        life = f"{life} {say('acknowledged')}"
    slug = grove.slugs.get(finding.tree, "")
    return AlertRow(
        finding.severity.value, finding.rule, where, f"trees/{slug}.html" if slug else "index.html",
        f"alert-{alert.id}",
        finding.why, finding.next_step, finding.caution, finding.threshold, finding.source,
        tuple((name, f"{value:.4g}") for name, value in finding.figures.items()), finding.since.isoformat(), life,
        _photos(grove, finding),
    )  # fmt: skip


def _photos(grove: _Grove, finding: Finding) -> tuple[dict[str, str], ...]:
    shown = []
    for sha256 in finding.photos[-3:]:
        image = grove.patches(sha256)
        if image is None:
            continue
        source = f"photos/{sha256[:16]}.jpg"
        _save_jpeg(image, grove.folder / source)
        day = _visit_day(grove, sha256)
        shown.append({"src": source, "alt": say("photo_alt", site=finding.site or "", day=day)})
    return tuple(shown)


def _visit_day(grove: _Grove, sha256: str) -> str:
    for health in grove.healths:
        for history in health.sites:
            for visit in history.visits:
                if sha256 in visit.photos:
                    return visit.visit_on.isoformat()
    return ""


def _save_jpeg(image: ImageRGB, path: Path) -> None:
    from PIL import Image

    path.parent.mkdir(exist_ok=True)
    if not path.exists():
        picture = Image.fromarray(image)
        picture.thumbnail((320, 320))
        picture.save(path, quality=85)


def _tree_context(grove: _Grove, health: TreeHealth, rows: Sequence[AlertRow]) -> dict[str, Any]:
    tree = health.tree
    pictures = _pictures(grove, health)
    place = ", ".join(part for part in (tree.species, place_of(tree.tree, grove.register)) if part)
    return {
        "title": say("tree_title", tree=tree.tree, status=health.status),
        "root": "../",
        "tree": tree.tree,
        "status": health.status,
        "reasons": health.reasons,
        "place": place,
        "pictures": pictures,
        "alerts": rows,
        "sites": [
            {"number": h.site.site, "place": site_words(h.site), "rim": _rim(grove, health, h), **site_tables(h)}
            for h in sorted(health.sites, key=lambda h: h.site.site)
        ],
    }


def _rim(grove: _Grove, health: TreeHealth, history: SiteHistory) -> dict[str, str] | None:
    """Picture of where the rim moved between the last two visits, where that was measured."""
    moved = latest_rim(history, grove.rim_fields)
    if moved is None:
        return None
    field, days = moved
    path = grove.folder / "trees" / f"{grove.slugs[health.tree.tree]}-rim-{history.site.site}.png"
    rim_picture(field, history.site.site, days, path)
    return {"png": path.name, "alt": f"{say('rim_title', site=history.site.site)}. {rim_words(field)}"}


def _pictures(grove: _Grove, health: TreeHealth) -> list[dict[str, str]]:
    """The tree's timeline, a few sites a picture, so that each fits a printed page."""
    shown = [history for history in health.sites if history.visits]
    pictures = []
    for part, start in enumerate(range(0, len(shown), SITES_A_PICTURE), 1):
        sites = tuple(shown[start : start + SITES_A_PICTURE])
        numbers = {history.site.site for history in sites}
        findings = tuple(f for f in health.findings if f.site in numbers or (f.site is None and part == 1))
        some = replace(health, sites=sites, findings=findings)
        png, _ = timeline_picture(
            some, grove.patches, grove.folder / "trees" / f"{grove.slugs[health.tree.tree]}-{part}", today=grove.today,
            register=grove.register, growing_months=grove.growing_months, patch_mm=grove.patch_mm, svg=False,
            whole=health.sites,
        )  # fmt: skip
        pictures.append({"png": png.name, "alt": describe(some)})
    return pictures


def _index_context(
    grove: _Grove,
    alerts: Sequence[Alert],
    rows: Sequence[AlertRow],
    summary: Mapping[str, object],
    photos: Sequence[PhotoFacts],
) -> dict[str, Any]:
    open_findings = [a.finding for a in alerts if a.state is AlertState.OPEN]
    entries = week_list(open_findings, grove.register)
    urgent = [entry for entry in entries if entry.severity is not Severity.NOTE]
    return {
        "title": say("index_title", grove=grove.name),
        "root": "",
        "grove": grove.name,
        "site_count": sum(len(health.sites) for health in grove.healths),
        "week": [
            {
                "severity": entry.severity.value,
                "tree": entry.tree,
                "stem": entry.stem if len(_stems_of(grove, entry.tree)) > 1 else "",
                "place": entry.place,
                "href": f"trees/{grove.slugs[entry.tree]}.html" if entry.tree in grove.slugs else "index.html",
                "reasons": [f for f in entry.findings if f.severity is not Severity.NOTE],
            }
            for entry in urgent
        ],
        "notes_only": len(entries) - len(urgent),
        "cautions": CAUTIONS,
        "trees": [_tree_row(grove, health) for health in grove.healths],
        "alerts": rows,
        "refused": _refused(photos),
        "summary": [(name, value) for name, value in summary.items()],
        "how_to_read": HOW_TO_READ,
    }


def _stems_of(grove: _Grove, tree: str) -> list[str]:
    return sorted({s.stem for s in grove.register.sites.values() if s.tree == tree})


def _tree_row(grove: _Grove, health: TreeHealth) -> dict[str, str]:
    seen = [h for h in health.sites if h.visits]
    wounds = [h for h in seen if h.site.is_wound]
    shut = sum(h.visits[-1].stage >= Stage.CLOSED for h in wounds)
    stems = sorted({h.site.stem for h in health.sites})
    share = max((stem_girdle(health.sites, grove.register, stem)[0] for stem in stems), default=0.0)
    return {
        "tree": health.tree.tree,
        "href": f"trees/{grove.slugs[health.tree.tree]}.html",
        "status": health.status,
        "place": place_of(health.tree.tree, grove.register),
        "open": str(len(wounds) - shut),
        "closed": str(shut),
        "last": max((h.visits[-1].visit_on.isoformat() for h in seen), default=""),
        "girdled": f"{100 * share:.0f}" if share > 0 else "",
    }


def _refused(photos: Sequence[PhotoFacts]) -> list[dict[str, str]]:
    refused = [photo for photo in photos if photo.outcome is Outcome.REFUSAL]
    refused.sort(key=lambda p: (p.arrived_at, p.file), reverse=True)
    return [
        {
            "file": photo.file,
            "taken": photo.taken_at.date().isoformat() if photo.taken_at else "",
            "site": "" if photo.site is None else str(photo.site),
            "reason": photo.reason,
            "remedy": photo.remedy,
        }
        for photo in refused
    ]
