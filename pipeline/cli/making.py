"""What several commands make: the report of a grove."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date
    from pathlib import Path

    from pipeline.grove import Grove
    from pipeline.records import SiteHistory


def write_report(grove: Grove, folder: Path, today: date, *, quiet: bool) -> Path:
    """Write the HTML report of a grove and return its first page."""
    from rich.console import Console

    from pipeline import assess, report, store, strips

    console = Console(stderr=True, quiet=quiet)
    with store.open_store(grove.database) as memory, console.status("Writing the report"):
        register = assess.full_register(grove, memory)
        healths = assess.assess_grove(grove, memory, today)
        pictures = strips.PhotoStrips(grove.cache, memory.readings())
        return report.write(
            grove.settings.grove.name,
            healths,
            memory.alerts(),
            {outcome.value: count for outcome, count in memory.counts().items()},
            tuple(memory.photo_facts()),
            folder,
            register=register,
            today=today,
            patches=pictures,
            growing_months=grove.settings.grove.growing_months,
            patch_mm=pictures.edge_mm,
            rim_fields=memory.rim_fields_of(latest_photos(history for h in healths for history in h.sites)),
        )


def latest_photos(histories: Iterable[SiteHistory]) -> list[str]:
    """Photos whose rim was compared with the visit before, of each site's last visit."""
    last = [history.visits[-1].rim_field for history in histories if history.visits]
    return [field.later for field in last if field is not None]
