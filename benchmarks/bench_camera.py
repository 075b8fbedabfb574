"""Milliseconds of each camera-side stage on 12 MP photos, one thread, beside decoding the same files.

    python benchmarks/bench_camera.py [--photos 6] [--repeats 5] [--seed 1]

The photos are drawn by ``pipeline.scenes`` (about ten seconds each), kept as JPEG in memory and decoded with
simplejpeg.  Medians of processor time; also what the stages got wrong, as the truth is known.
"""

from __future__ import annotations

import argparse
import platform
import time
from collections import defaultdict
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import simplejpeg

from pipeline import card, colour, quality, scenes, surface
from pipeline.records import CameraTag, Photo
from pipeline.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable


def scene(seed: int) -> scenes.SceneSpec:
    """One site, drawn as the site card sheet asks: 30 to 60 cm away, roughly square."""
    rng = np.random.default_rng(seed)
    width, height = rng.uniform(25, 60), rng.uniform(40, 100)
    return scenes.SceneSpec(
        trunk_radius_mm=float(rng.uniform(55, 140)),
        wounds=(scenes.WoundState(seed=seed, width_mm=width, height_mm=height, centre_mm=(0.0, -85.0 - height / 2)),),
        card=scenes.CardHang(
            site=int(rng.integers(344_569)), tilt_deg=rng.normal(0, 1.5), roll_deg=rng.normal(0, 1.5), seed=seed
        ),
        camera=scenes.CameraSpec(
            width_px=3000,
            height_px=4000,
            distance_mm=rng.uniform(300, 600),
            azimuth_deg=rng.uniform(-14, 14),
            elevation_deg=rng.uniform(-14, 14),
            defocus_px=rng.uniform(0.4, 1.5),
            aim_mm=(0.0, -80.0),
        ),
        bark=scenes.BarkSpec(seed=seed),
        seed=seed,
    )


def main() -> None:
    """Draw, decode, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--photos", type=int, default=6)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    settings = Settings()
    times: dict[str, list[float]] = defaultdict(list)

    def timed(name: str, act: Callable[[], Any]) -> Any:
        start = time.thread_time()
        result = act()
        times[name].append(1000 * (time.thread_time() - start))
        return result

    misses = []
    for k in range(options.photos):
        spec = scene(options.seed + k)
        image, truth = scenes.render(spec)
        data = simplejpeg.encode_jpeg(image, quality=90, colorsubsampling="420")
        for _ in range(options.repeats):
            pixels = timed(
                "decode", lambda data=data: simplejpeg.decode_jpeg(data, "RGB", fastdct=True, fastupsample=True)
            )
            photo = Photo("bench.jpg", "0" * 64, None, None, pixels, CameraTag(focal_35mm=spec.camera.focal_35mm))
            found = timed("card", lambda p=photo: card.find_card(p.pixels, settings.card))
            girth = 2 * np.pi * spec.trunk_radius_mm
            fix = timed("surface", lambda p=photo, c=found, g=girth: surface.fit_surface(p, c, g, settings.surface))
            balance = timed("white balance", lambda p=photo, c=found, f=fix: colour.white_balance(p, c, f))
            window = surface.overview_window(None, settings.patch)
            patch = timed(
                "unroll 384",
                lambda p=photo, f=fix, w=window, b=balance: surface.unroll(p, f, w, settings.patch.overview_px, b),
            )
            timed("quality", lambda p=photo, c=found, f=fix, t=patch: quality.assess(p, c, f, t, settings.quality))
            timed("uncertainty", lambda f=fix: surface.area_sd_parts(f, (0.0, -110.0), (40.0, 60.0)))
        misses.append(float(np.sqrt(((found.corners_px - truth.corners_px) ** 2).mean())))

    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}, OpenCV {cv2.__version__}")
    for name, values in times.items():
        print(f"{name:14s} {np.median(values):7.1f} ms")
    together = sum(float(np.median(v)) for name, v in times.items() if name != "decode")
    print(f"{'camera side':14s} {together:7.1f} ms = {together / float(np.median(times['decode'])):.2f} x decode")
    print(f"corner error   {np.median(misses):7.3f} px rms, median of {len(misses)} photos; largest {max(misses):.3f}")


if __name__ == "__main__":
    main()
