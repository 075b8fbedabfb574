"""The memory on disk: facts that are only added to, results that can be made again.

All SQL of the program lives in this package; it takes and gives records.
"""

from pipeline.store.results import ResultBasis
from pipeline.store.store import Store, open_store

__all__ = ["ResultBasis", "Store", "open_store"]
