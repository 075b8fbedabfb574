"""Many photos: from the inbox to the store, on all cores, resumable at any instruction."""

from pipeline.batch.run import run, update_alerts
from pipeline.batch.words import Progress, RunStage, RunSummary

__all__ = ["Progress", "RunStage", "RunSummary", "run", "update_alerts"]
