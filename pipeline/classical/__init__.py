"""A reader without training: colour, shape and place, with scale known in mm.

It is the baseline that a trained network has to beat.  How it looks:

1. **Bark is what lies around.**  The colours near the patch's border make the patch's own bark model (a
   density over CIELAB); what is unlike it, near the middle and coloured as wood, resin, hollow or callus can be,
   is the wound.  Two rounds of the same with the wound's own colours sharpen it.
2. **Rim or face.**  Inside the wound a pale outer band round a darker core is new tissue round an aperture;
   one colour throughout is an aperture, or, where it is much like the bark, a closed wound.
3. **Stage** from what was measured: colour of the core, share and width of new tissue, contrast.
4. **Signs** from colour, shape and distance to the wound.  Darkened, resin-soaked wood is wanted and ants are
   expected: neither is a sign.  Green or white on the outer bark away from the wound counts as moss, algae, lichen.

Every threshold is a judgement about how these things look in daylight and was set by eye on drawn and real
pictures, not fitted; probabilities are soft and never reach 0 or 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.classical.maps import as_maps, full_size, tissue_map
from pipeline.classical.parts import divide, stage_probabilities
from pipeline.classical.signs import read_signs
from pipeline.classical.view import blur, logistic, smooth_step, view_of
from pipeline.classical.wound import find_wound, onto_edges
from pipeline.records import SiteMaps

if TYPE_CHECKING:
    from pipeline.records import SitePatch

READER = "classical 3"
RIM_SD_MM = 2.2
"""Half the distance between the 16th and 84th percentile of (area read - true area) / perimeter over 24 photos of
``benchmarks/make_photos.py`` (12 MP, real bark), printed by ``benchmarks/bench_truth.py``: callus is often taken for
opening, or opening for callus."""
RIM_REPEAT_SD_MM = 1.1
"""The part of it that differs between photos of one wound, wide enough for 58 of 60 pairs: 20 wounds of all stages in
two photos each (``benchmarks/bench_repeat.py``: 0.78 mm) and 20 sites in three visits (``benchmarks/bench_ruler.py``).
The two others were gross, by 5 and 11 mm.  What it takes for callus it mostly takes for callus again."""


def read(patch: SitePatch) -> SiteMaps:
    """Look at a patch and say what it shows, softly.

    Parameters
    ----------
    patch
        Any size; 384 px and 40 to 400 mm is what it was made for.
    """
    view = view_of(patch)
    wound = find_wound(view)
    parts = divide(view, wound)
    if parts.plain and parts.open_p > 0.5 and wound.area_mm2 > 50.0:
        region = onto_edges(wound.region, view)
        wound = wound._replace(region=region, p=blur(region.astype(np.float32), 0.7))
        parts = parts._replace(face=region.astype(np.float32), face_mm2=float(np.count_nonzero(region)) * view.mm**2)
    stage_p = stage_probabilities(wound, parts)
    seen = float(logistic(0.22 * (wound.contrast - 14.0)) * logistic(8.0 * (wound.solidity - 0.62)))
    not_a_site_p = float(np.clip(0.75 - 0.7 * seen, 0.03, 0.9))
    signs, sign_p, lookalike_p = read_signs(view, wound, parts)
    # Where no wound is made out, a sign of one is less likely too.
    sign_p = np.clip(sign_p * (1 - 0.6 * not_a_site_p), 0.02, 0.93)
    resin = smooth_step(parts.core_lab[0], 40.0, 18.0) * smooth_step(parts.face_mm2, 10.0, 60.0)
    return SiteMaps(
        tissue=tissue_map(patch, view, wound, parts),
        signs=as_maps([full_size(layer, patch.valid.shape) for layer in signs]),
        stage_p=stage_p,
        sign_p=sign_p,
        not_a_site_p=not_a_site_p,
        reader=READER,
        resin_p=float(np.clip(resin, 0.03, 0.9)),
        lookalike_p=lookalike_p,
        rim_sd_mm=RIM_SD_MM,
        rim_repeat_sd_mm=RIM_REPEAT_SD_MM,
    )
