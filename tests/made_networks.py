"""Folders of networks for tests: files that match their contract, and a comparison; nothing in them can be run."""

from __future__ import annotations

import json

from pipeline import network
from pipeline.records import Sign, Stage, Tissue


def put_network(folder, name):
    folder.mkdir(parents=True)
    for file in network.FILES:
        (folder / file).write_text(f"{name} {file}", encoding="utf-8")
    contract = {"kind": network.CONTRACT_KIND, "version": network.CONTRACT_VERSION, "name": name,
                "inputs": list(network.INPUTS), "outputs": list(network.OUTPUTS),
                "tissues": [t.name.lower() for t in Tissue], "signs": [s.value for s in Sign],
                "stages": [s.word for s in Stage],
                "sha256": {file: network.sha256_of(folder / file) for file in network.FILES}}  # fmt: skip
    (folder / "contract.json").write_text(json.dumps(contract), encoding="utf-8")


def put_comparison(folder, old, new, picture=""):
    line = {"where": "held", "words": "signs that people saw, found", "old": 0.5, "new": 0.7, "change": 0.2, "lo": 0.1,
            "hi": 0.3, "cases": 40, "more_is_better": True}  # fmt: skip
    case = {"what": "found", "sign": "conk", "tree": "A-001", "site": 10, "visit_on": "2026-07-01", "sha256": "0" * 64,
            "old_p": 0.2, "new_p": 0.8, "picture": picture}  # fmt: skip
    content = {"old": old, "new": new, "made_at": "2026-07-20T12:00:00+07:00", "sign_p": 0.5, "held_cases": 40,
               "held_trees": 9, "scenes": 400, "photographs": 0, "figures": [line], "cases": [case]}  # fmt: skip
    (folder / "comparison").mkdir(exist_ok=True)
    (folder / "comparison" / "comparison.json").write_text(json.dumps(content), encoding="utf-8")
