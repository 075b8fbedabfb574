"""CPU time of a released network, and its figures beside the classical reader's.

    python benchmarks/bench_network.py models/lite0-3
    python benchmarks/bench_network.py models/lite0-3 --photos ../shared/data --scenes 400

Without ``--photos`` only the time is measured, which needs no torch.  With it, the whole table of ``woundwood
evaluate`` is printed for the network and for the classical reader: held-out scenes of the training renderer (own
seeds, bark species never trained on) and photographs of species and sources never trained on, with numbers of cases
and 95 % bootstrap intervals.  ``bench_reader.py`` gives the figures on a renderer that the network never saw.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

from pipeline import network
from pipeline.learn.speed import cpu_time_ms


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("model", type=Path, help="a model folder")
    parser.add_argument("--photos", type=Path, help="photo collection with manifest.csv, or a packed .npz")
    parser.add_argument("--scenes", type=int, default=400)
    parser.add_argument("--repeats", type=int, default=40)
    options = parser.parse_args()
    reader = network.load(options.model)
    for name, call in (("a patch, read", reader), ("the network alone, maps at the patch's size", reader.raw)):
        middle, least = cpu_time_ms(call, options.repeats)
        print(f"CPU time of {name}, 384 px, one thread: median {middle:.1f} ms, least {least:.1f} ms (reach 35)")
    if options.photos is None:
        return
    from pipeline.learn import evaluate

    for name in (str(options.model), "classical"):
        print(f"\n{name}")
        for line in evaluate.run(name, options.photos, count=options.scenes):
            print(line.text)


if __name__ == "__main__":
    main()
