"""Many photos: from the inbox to the store, on all cores, resumable at any instruction."""

from pipeline.batch.run import Progress, RunStage, RunSummary, run, update_alerts

__all__ = ["Progress", "RunStage", "RunSummary", "run", "update_alerts"]
