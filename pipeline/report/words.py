"""Every word of the report, in one place, so that translations can come later."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.records import ChangePoint, Event, SiteHistory, TreeHealth

WORDS: dict[str, str] = {
    # severity, stages, signs, events
    "severity_act": "act",
    "severity_look": "look",
    "severity_note": "note",
    "stage_fresh": "fresh",
    "stage_resinous": "resinous",
    "stage_callus": "callus",
    "stage_closing": "closing",
    "stage_closed": "closed",
    "stage_rebarked": "rebarked",
    "sign_green_film": "green film",
    "sign_white_mycelium": "white mycelium",
    "sign_conk": "conk",
    "sign_dark_bleeding": "dark bleeding",
    "sign_sunken_bark": "sunken bark",
    "sign_maybe": "{sign}?",
    "event_drilled": "drilled",
    "event_nailed": "nailed",
    "event_inoculated": "inoculated",
    "event_cut": "cut",
    "event_cleaned": "cleaned",
    "event_treated": "treated",
    "event_stem_removed": "stem removed",
    "event_rested": "rested",
    "event_card_moved": "card moved",
    "north": "north",
    "north-east": "north-east",
    "east": "east",
    "south-east": "south-east",
    "south": "south",
    "south-west": "south-west",
    "west": "west",
    "north-west": "north-west",
    # picture
    "tree_name": "Tree {tree}",
    "site_name": "Site {site}",
    "block": "block {block}",
    "calendar": "Calendar",
    "growing_season": "growing season",
    "today": "today",
    "height_up": "{height} cm up",
    "facing": "facing {direction}",
    "now_area": "now {area} mm\u00b2 open",
    "now_area_range": "(\u00b1 {half}, 95 %)",
    "tree_title": "Tree {tree}: {status}",
    "stem_name": "Stem {stem}",
    "girdle": "{share} % of the girth is open at one height (site {sites})",
    "girdle_none": "no open wound with a known size and girth",
    "girdle_unknown": "girth not known",
    "wound_counts": "wounds: {counts}",
    "watched_bark": "bark that is watched: no wound here, so no stage",
    "no_opening": "no opening visible",
    "width_rate": "closes {rate} mm a year",
    "width_rate_back": "widens {rate} mm a year",
    "rate_range": "({lo} to {hi}, 95 %)",
    "no_clear_change": "no clear change of width yet",
    "more_below": "... and {count} more, below",
    "no_date": "No closing date: {why}",
    "change_stopped": "The sides stopped between {first} and {last} (probability {p}).",
    "change_pace": (
        "The pace changed between {first} and {last}: from {before} to {after} mm a month of growing season, each side "
        "(probability {p})."
    ),
    "change_opened": "Between {first} and {last} it was made about {jump} mm wider (probability {p}).",
    "mark_stopped": "stopped",
    "mark_pace": "other pace",
    "mark_opened": "opened?",
    "closes_between": "Expected to close about {day}, between {lo} and {hi} (80 %).",
    "photo_scale": "bar {length} mm",
    # pages
    "site_word": "site {site}",
    "stem_word": "stem {stem}",
    "footer": "Written by Woundwood on {day}. It reports what photos show; a person decides.",
    "index_title": "{grove}: wound sites",
    "index_lead": (
        "State on {day}: {trees} trees, {sites} wound sites. Figures come from dated photos of numbered sites; "
        "every figure has its uncertainty."
    ),
    "week_title": "This week: which trunks first",
    "week_lead": ("First those where a person must decide (act), then those to look at; each in walking order."),
    "week_none": (
        "No trunk asks for a look this week. That is no proof that nothing is wrong: it is what the photos show."
    ),
    "notes_only": "Trunks with notes only: {count}. They are in the table of alerts.",
    "cautions_title": "Before you go",
    "trees_title": "Trees",
    "alerts_title": "Open alerts, and why",
    "alerts_none": "No open alerts.",
    "refused_title": "Photos that could not be read",
    "refused_lead": "Nothing was lost: the files are kept. Please take these photos again.",
    "refused_none": "Every photo could be read.",
    "summary_title": "What came in",
    "reading_title": "How to read the pictures",
    "surface_caution": (
        "A closed surface says nothing of the wood inside, and a small hole may stay open in a closing wound."
    ),
    "back": "Back to the grove",
    "picture_caption": (
        "Each wound is drawn as its opening: the two sides draw together as it closes. The shaded edge is the 95 "
        "% interval. Click for a picture that can be enlarged."
    ),
    "trends_caption": (
        "Rates of each episode (from one opening to the next), with 95 % intervals; above 0 the wound closes."
    ),
    "visits_caption": (
        "Visits and events, newest first; \u00b1 is the half width of the 95 % interval; the stage's probability "
        "is in brackets."
    ),
    "no_visits": "No readable photo yet.",
    "next_step": "Next step:",
    "caution": "Caution:",
    "threshold": "Threshold",
    "source": "Source",
    "figures": "Figures",
    "life": "Alert",
    "life_line": "number {id}, opened {opened}, last updated {updated}.",
    "acknowledged": "A person has seen it.",
    "photo_alt": "Photo of site {site}, {day}",
    "closes_cell": "about {day} ({lo} to {hi}, 80 %).",
    "col_tree": "Tree",
    "col_status": "Status",
    "col_place": "Place",
    "col_open": "Open sites",
    "col_closed": "Closed on the surface",
    "col_last": "Last photo",
    "col_girdled": "Girth open at one height, %",
    "col_severity": "How soon",
    "col_where": "Where",
    "col_rule": "Rule",
    "col_why": "Why",
    "col_since": "Since",
    "col_file": "File",
    "col_taken": "Taken on",
    "col_site": "Site",
    "col_reason": "What is wrong",
    "col_remedy": "What to do",
    "col_episode": "Episode",
    "col_from_to": "From, to",
    "col_visits": "Visits",
    "col_area_closure": "Area closure, %",
    "col_width_rate": "Width closure, mm a year",
    "col_height_rate": "Height closure, mm a year",
    "col_rim": "Rim advance, mm a month",
    "col_closes": "Closing date",
    "changes_of": "Changes in episode {episode}:",
    "col_visit": "Visit",
    "col_stage": "Stage",
    "col_area": "Opening, mm\u00b2",
    "col_width": "Width, mm",
    "col_height": "Height, mm",
    "col_advance": "Rim advance since last visit, mm",
    "col_signs": "Signs that may be present",
    "col_doubts": "Doubts",
    "put_right_rim": "Rim put right by {who} on {day}.",
    "put_right_stage": "Stage put right by {who} on {day}.",
    # where the rim advanced
    "rim_title": "Site {site}: the rim",
    "rim_between": "from {first} to {last}, on the same bark",
    "rim_sides": "both sides",
    "rim_ends": "both ends",
    "rim_left_side": "left side",
    "rim_right_side": "right side",
    "rim_upper_end": "upper end",
    "rim_lower_end": "lower end",
    "rim_advanced": "{part}: closed in by {by} mm ({lo} to {hi})",
    "rim_retreated": "{part}: drew back by {by} mm ({lo} to {hi})",
    "rim_no_move": "{part}: no clear move ({lo} to {hi} mm)",
    "rim_key_lines": "rim at the first day (dashed), at the last (full)",
    "rim_key_advance": "bark closed in here; bars drawn {times} times longer",
    "rim_key_retreat": "rim drew back here",
    "rim_key_still": "stands still, within half a millimetre",
    "rim_key_unclear": "cannot be told from these photos",
    "rim_caption": (
        "Where the rim moved between the last two visits, measured on the bark that both photos show; brackets are "
        "95 % intervals. Sides usually close several times faster than ends."
    ),
    "col_sides": "Sides since last visit, mm",
    "col_ends": "Ends since last visit, mm",
    "col_side_rate": "Sides, mm a month",
    "col_end_rate": "Ends, mm a month",
    # descriptions of pictures
    "describe_tree": "Timeline of tree {tree}.",
    "describe_site": "Site {site}, {kind}: {visits} visits from {first} to {last}.",
    "describe_width": "The opening was {before} mm wide and is {now} mm wide.",
    "describe_none": "No opening is visible at the last visit.",
    "describe_stages": "Stages: {stages}.",
    "describe_forecast": "Expected to close about {day}, between {lo} and {hi}.",
    "describe_sign": "{sign} may be present at {count} visits.",
    "describe_events": "Events: {events}.",
}

CAUTIONS: tuple[str, ...] = (
    (
        "A sick or hollow stem can fail without warning: keep clear, and do not climb or cut it alone. Whether a "
        "tree is structurally sound is for a qualified arborist on site."
    ),
    (
        "Look before reaching in: wasps and biting ants live in openings. Chisels, saws and ladders hurt people: "
        "protect eyes and hands. Clean tools between trees."
    ),
    (
        "A photo shows signs, not causes. What a disease is, is for a plant pathologist with a culture. For "
        "anything that is sprayed or painted on, the label and the local law hold."
    ),
    ("Agarwood species are listed in CITES Appendix II. These records help; they certify nothing."),
)

HOW_TO_READ: tuple[str, ...] = (
    (
        "Time runs to the right. Each wound is drawn as its opening: dark between two lines, which are its sides."
        " As the wound closes, the sides draw together. The shaded edge along them is the 95 % interval; dashed "
        "lines and a bar show when closing is expected (80 %), in growing months only."
    ),
    (
        "The band above the opening names the stage: fresh, resinous, callus, closing, closed, rebarked. A stage "
        "is what is visible. Darkened, resin-soaked wood is what the grower wants and is no sign of disease; ants"
        " at holes are expected."
    ),
    (
        "A triangle marks a visit whose photo may show a sign; it grows with the sign's area. Vertical lines are "
        "events that a person wrote down; a bracket below the opening stands where the photos say that its sides "
        "stopped, took another pace, or that it was made larger. The photos are cut to the same millimetres, so they "
        "can be compared by "
        "eye."
    ),
    ("The ring is the stem from above, north up: dark where its girth is open at the height where most of it is open."),
)


def say(key: str, **values: object) -> str:
    """The words of a key with its values filled in.

    Raises
    ------
    KeyError
        If there are no such words.
    """
    return WORDS[key].format(**values)


def compass(bearing_deg: float) -> str:
    """Compass word of a bearing, eight directions."""
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    return say(names[round(bearing_deg / 45.0) % 8])


def event_words(event: Event) -> str:
    """What was done, with its amount."""
    amount = f" {event.amount:g} {event.unit}".rstrip() if event.amount is not None else ""
    return f"{say('event_' + event.event.value.replace(' ', '_'))}{amount}"


def change_words(change: ChangePoint) -> str:
    """A change point in one sentence."""
    return say(
        {"sides stopped": "change_stopped", "pace changed": "change_pace", "opened": "change_opened"}[change.kind],
        first=change.from_on.isoformat(),
        last=change.to_on.isoformat(),
        p=f"{change.p:.2f}",
        before=f"{change.pace_before:.1f}",
        after=f"{change.pace_after:.1f}",
        jump=f"{change.jump_mm:.0f}",
    )


def describe(health: TreeHealth) -> str:
    """A tree's picture in sentences, for those who cannot see it."""
    sites = [_describe_site(history) for history in health.sites if history.visits]
    return " ".join([say("describe_tree", tree=health.tree.tree), *health.reasons, *sites])


def _describe_site(history: SiteHistory) -> str:
    visits = history.visits
    first, last = visits[0], visits[-1]
    parts = [
        say(
            "describe_site",
            site=history.site.site,
            kind=history.site.kind.value,
            visits=len(visits),
            first=first.visit_on.isoformat(),
            last=last.visit_on.isoformat(),
        )
    ]
    if first.aperture_width_mm and last.aperture_width_mm:
        parts.append(
            say("describe_width", before=f"{first.aperture_width_mm:.0f}", now=f"{last.aperture_width_mm:.0f}")
        )
    elif last.aperture_area_mm2 == 0 and history.site.is_wound:
        parts.append(say("describe_none"))
    stages = [v.stage_smoothed if v.stage_smoothed is not None else v.stage for v in visits]
    runs = [stage for i, stage in enumerate(stages) if i == 0 or stage is not stages[i - 1]]
    if history.site.is_wound:
        parts.append(say("describe_stages", stages=", ".join(say("stage_" + stage.word) for stage in runs)))
    forecast = history.trends[-1].forecast if history.trends else None
    if forecast is not None:
        parts.append(
            say("describe_forecast", day=forecast.closes_on, lo=forecast.closes_on_lo, hi=forecast.closes_on_hi)
        )
    parts += [change_words(change) for trend in history.trends for change in trend.change_points]
    for sign in last.signs:
        count = sum(sign in v.signs and v.signs[sign].p >= 0.5 for v in visits)
        if count:
            parts.append(say("describe_sign", sign=say("sign_" + sign.value).capitalize(), count=count))
    if history.events:
        events = "; ".join(f"{event_words(e)} on {e.on.isoformat()}" for e in history.events)
        parts.append(say("describe_events", events=events))
    return " ".join(parts)
