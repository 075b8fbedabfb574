"""From the inbox to the originals: every file once, whole, and never lost.

    scan           what lies in the inbox and has finished arriving
    store_original one file copied to photos/ under its hash, on disk before anything else happens
    (the caller records the outcome in the database)
    release        the file leaves the inbox, now that it is kept and recorded
    verify         every original hashed again

A process may be killed between any two instructions: the file is then still in the inbox, or
whole in ``photos/``, or both; the next start finds it and, by its hash, knows it.
"""

from pipeline.receive.inbox import Arrival, ScanResult, clock, safe_name, scan, scan_twice
from pipeline.receive.originals import (
    Damage,
    StoredOriginal,
    find_original,
    hash_file,
    original_path,
    release,
    store_original,
    sweep,
    verify,
)

__all__ = [
    "Arrival",
    "Damage",
    "ScanResult",
    "StoredOriginal",
    "clock",
    "find_original",
    "hash_file",
    "original_path",
    "release",
    "safe_name",
    "scan",
    "scan_twice",
    "store_original",
    "sweep",
    "verify",
]
