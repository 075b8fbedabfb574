"""What a run says while it goes on and when it is over."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.records import AlertChanges, Question, Refusal


class RunStage(StrEnum):
    """What a run is doing."""

    RECEIVING = "receiving"
    READING = "reading"
    COMPARING = "comparing"
    ALERTS = "alerts"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run has come: files received, photos read, sites compared or trees looked at, of how many."""

    stage: RunStage
    done: int
    total: int


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What one run did.

    Attributes
    ----------
    arrived
        Files that came in; ``received + duplicates + known``.
    received
        Photos whose bytes never came before.
    read, refused
        Photos read and refused in this run, earlier arrivals and repeated readings among them.
    left
        A sentence for each file that stayed in the inbox or could not be read from the disk.
    again
        Photos read once more because the reader, the settings, the register or the cache changed.
    seconds, stage_s
        Wall time of the run, and of each stage; receiving and reading go on at the same time.
    """

    arrived: int
    received: int
    read: int
    refused: tuple[Refusal, ...]
    duplicates: int
    known: int
    left: tuple[str, ...]
    again: int
    questions: tuple[Question, ...]
    alerts: AlertChanges
    seconds: float
    model: str
    settings: str
    stage_s: dict[RunStage, float] = field(default_factory=dict)

    @property
    def photos_per_s(self) -> float:
        """Photos read or refused, a second of the reading stage."""
        seconds = self.stage_s.get(RunStage.READING, 0.0)
        return (self.read + len(self.refused)) / seconds if seconds > 0 else 0.0
