"""White balance: how far known patches are from their true colour under twelve lights, after the card's balance.

    python -m benchmarks.bench_white_balance [--photos 3]

The first table: a photo is drawn in neutral light; chips of known colour are laid over the bark below the card, lit as
the card is. Each light is then laid over the whole picture in linear light: the colours that surfaces take on are those
of the linear Bradford transform (ICC.1:2022 annex E), which is no plain gain of red, green and blue; the camera's own
balance takes away a part by lot, once by gains on the finished picture, once by gains on its sensor, here the sharpened
cones. The second table knows nothing of Bradford: reflectances, lights, sensor and colour matching are spectra. Colour
differences are CIEDE2000.
Chromaticities: CIE 15 (A, D50, D55, D65, D75, F2, F7, F11); the two lamps lie on the Planckian locus (Kim et al. 2002),
the blue sky on the daylight locus (CIE 15); light under leaves is an assumption.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.ruler_scenes import Spread, site_plan, visit_scene
from pipeline import card, cardspec, colour, metrics, surface
from pipeline.records import CameraTag, Photo
from pipeline.scenes import LightSpec, render
from pipeline.settings import Settings

LIGHTS = {
    "A": (0.44757, 0.40745),
    "D50": (0.34567, 0.35850),
    "D55": (0.33242, 0.34743),
    "D65": (0.31271, 0.32902),
    "D75": (0.29902, 0.31485),
    "F2": (0.37208, 0.37529),
    "F7": (0.31292, 0.32933),
    "F11": (0.38052, 0.37713),
    "lamp 2700 K": (0.4599, 0.4106),
    "lamp 4000 K": (0.3805, 0.3768),
    "sky 10000 K": (0.2788, 0.2920),
    "under leaves": (0.3250, 0.3750),
}
CHIPS = ((225, 200, 160), (190, 150, 105), (150, 105, 70), (95, 60, 40), (60, 45, 38), (140, 140, 130), (95, 110, 70))
"""sRGB of fresh, browning and resinous wood, bark, and a green film: made up."""
XYZ_OF_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def light_matrix(xy: tuple[float, float]) -> NDArray[np.float64]:
    """What a light does to linear sRGB of surfaces that were seen in D65, shape (3, 3)."""
    (x, y), (wx, wy) = xy, LIGHTS["D65"]
    to = BRADFORD @ np.array([x / y, 1.0, (1 - x - y) / y])
    start = BRADFORD @ np.array([wx / wy, 1.0, (1 - wx - wy) / wy])
    adapted = np.linalg.inv(BRADFORD) @ np.diag(to / start) @ BRADFORD
    return np.asarray(np.linalg.inv(XYZ_OF_RGB) @ adapted @ XYZ_OF_RGB)


# ---------------------------------------------------------------- spectra

NM = np.arange(400.0, 701.0, 5.0)
PLANCK_NM_K = 1.438777e7
"""Second radiation constant."""
SENSOR = ((600.0, 42.0), (538.0, 42.0), (462.0, 30.0))
"""Peak and width in nm of an invented sensor's red, green and blue."""
PRINTS = {"black ink": 1.0, "mostly black": 0.7, "coloured inks": 0.0}
"""Share of the density of a printed grey that black ink makes."""
LAMPS_K = (2000, 2400, 2700, 2856, 3000, 4000, 5000, 10000)


def _bell(middle: float, below: float, above: float) -> NDArray[np.float64]:
    return np.asarray(np.exp(-0.5 * ((NM - middle) / np.where(middle > NM, below, above)) ** 2))


COLOUR_MATCHING = np.stack(
    [
        1.056 * _bell(599.8, 37.9, 31.0) + 0.362 * _bell(442.0, 16.0, 26.7) - 0.065 * _bell(501.1, 20.4, 26.2),
        0.821 * _bell(568.8, 46.9, 40.5) + 0.286 * _bell(530.9, 16.3, 31.1),
        1.217 * _bell(437.0, 11.8, 36.0) + 0.681 * _bell(459.0, 26.0, 13.8),
    ]
)
"""CIE 1931 observer by the lobes of Wyman, Sloan & Shirley (2013, JCGT 2(2)); numbers from memory."""


def planck(kelvin: float) -> NDArray[np.float64]:
    """Planck's law, 1 at 560 nm."""
    light = NM**-5.0 / np.expm1(PLANCK_NM_K / (NM * kelvin))
    return np.asarray(light / light[NM == 560.0])


def white_led(phosphor: float) -> NDArray[np.float64]:
    """A blue diode with a yellow phosphor of so many times its strength: an invented shape."""
    return np.asarray(_bell(452.0, 9.0, 11.0) + phosphor * _bell(575.0, 45.0, 65.0))


def spectral_lights() -> dict[str, NDArray[np.float64]]:
    """Lights of the second table."""
    bands = np.sum([peak * _bell(nm, 4.0, 4.0) for peak, nm in ((0.6, 436.0), (1.2, 545.0), (1.1, 611.0))], axis=0)
    return {f"{kelvin} K": planck(kelvin) for kelvin in LAMPS_K} | {
        "white LED": white_led(0.6),
        "warm LED": white_led(1.8),
        "three-band": 0.05 + bands,
    }


def reflectances() -> NDArray[np.float64]:
    """Smooth spectra that look like the chips in daylight of 6,500 K, shape (chips, wavelengths)."""
    basis = np.stack([1 / (1 + np.exp(-(NM - 590) / 18)), _bell(540.0, 45.0, 45.0), 1 / (1 + np.exp((NM - 490) / 18))])
    day = COLOUR_MATCHING * planck(6500)
    white = day.sum(axis=1)
    to_rgb = np.linalg.inv(XYZ_OF_RGB) @ np.diag(XYZ_OF_RGB.sum(axis=1) / white)
    wanted = colour.linear_of_srgb(np.array(CHIPS) / 255)
    return np.asarray(np.linalg.solve(to_rgb @ day @ basis.T, wanted.T).T @ basis)


def printed_greys(black: float) -> NDArray[np.float64]:
    """Spectra of the card's greys, of whose density black ink makes a share and cyan, magenta, yellow the rest.

    The inks are invented; they are mixed so that the grey has its colour in daylight.  Shape (3, wavelengths).
    """
    levels = colour.linear_of_srgb(np.array(cardspec.PATCH_SRGB) / 255)
    inks = np.stack([_bell(640.0, 55.0, 50.0), _bell(545.0, 35.0, 30.0), _bell(440.0, 40.0, 45.0)])
    day = COLOUR_MATCHING * planck(6500)
    to_rgb = np.linalg.inv(XYZ_OF_RGB) @ np.diag(XYZ_OF_RGB.sum(axis=1) / day.sum(axis=1)) @ day
    greys = []
    for level in levels:
        whole = -np.log10(level)
        amounts = np.full(3, (1 - black) * whole)
        for _ in range(50):  # Newton's method
            seen = 10 ** -(black * whole + amounts @ inks)
            slope = -np.log(10) * (to_rgb * seen) @ inks.T
            amounts = amounts - np.linalg.solve(slope, to_rgb @ seen - level)
        greys.append(10 ** -(black * whole + amounts @ inks))
    return np.array(greys)


def spectral_camera(rng: np.random.Generator, things: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """An invented sensor, shape (3, wavelengths), and the matrix that mixes its colours, made for daylight."""
    sensor = np.stack([_bell(middle, width, width) for middle, width in SENSOR])
    training = np.concatenate([things, np.clip(rng.uniform(0.1, 0.6, (40, 1)) + 0.3 * np.sin(
        NM / rng.uniform(40, 120, (40, 1)) + rng.uniform(0, 6, (40, 1))), 0.02, 0.95)])  # fmt: skip
    day = planck(6500)
    seen = training @ (sensor * day).T / (sensor * day).sum(axis=1)
    xyz = training @ (COLOUR_MATCHING * day).T / (COLOUR_MATCHING * day).sum(axis=1) * XYZ_OF_RGB.sum(axis=1)
    return sensor, np.linalg.lstsq(seen, xyz @ np.linalg.inv(XYZ_OF_RGB).T, rcond=None)[0].T


def spectral_table(rng: np.random.Generator) -> None:
    """A camera that balances its sensor, then mixes colours by a matrix made for daylight: gains against adaptation.

    And what is said of it: whether L*, a*, b* lie in their stated 95 % intervals, without and with the flag of an
    artificial light; and whether the greys alone raise that flag, by how they were printed.
    """
    things = reflectances()
    sensor, mix = spectral_camera(rng, things)
    truth = colour.lab_of_srgb8(np.array(CHIPS, np.uint8))
    levels = colour.linear_of_srgb(np.array(cardspec.PATCH_SRGB) / 255)[:, None]
    prints = {name: printed_greys(black) for name, black in PRINTS.items()}
    together: list[float] = []
    for name, light in spectral_lights().items():
        errors: dict[str, list[float]] = {"gains": [], "adapted": []}
        held: dict[str, list[bool]] = {"plain": [], "flagged": []}
        raised: dict[str, list[bool]] = {each: [] for each in PRINTS}
        for _ in range(20):
            response = sensor * light
            raw = things @ response.T
            white = response.sum(axis=1)
            own = (white[1] / white) ** rng.uniform(0.3, 0.9)
            picture, paper = (raw * own) @ mix.T, (white * own) @ mix.T
            gains = 1 / np.maximum(paper, 1e-3 * paper.max())
            matrix = colour.adaptation(1 / gains)
            for way, balanced in (("gains", picture * gains), ("adapted", picture @ matrix.T)):
                lab = colour.lab_of_linear(np.clip(balanced, 0, 1))
                errors[way] += colour.delta_e_2000(lab, truth).tolist()
            sd = colour.light_sd(gains, matrix)
            for said, stated in (("plain", sd), ("flagged", np.hypot(sd, colour.LAMP_LAB_SD))):
                held[said] += (np.abs(lab - truth) < 1.96 * np.asarray(stated)).ravel().tolist()
            for each, greys in prints.items():
                seen = (greys @ response.T * own) @ mix.T
                fitted = seen.sum(axis=0) / (seen**2 / levels).sum(axis=0)
                raised[each].append(colour.is_artificial(CameraTag(), fitted * seen / levels))
        cells = [f"{np.median(v):5.2f} ({np.quantile(v, 0.95):5.2f})" for v in errors.values()]
        print(
            f"{name:14s} gains {cells[0]}   adapted {cells[1]}   95 % interval holds "
            f"{100 * np.mean(held['plain']):3.0f} %, flagged {100 * np.mean(held['flagged']):3.0f} %   "
            "greys raise the flag: "
            + ", ".join(f"{each} {100 * np.mean(flags):.0f} %" for each, flags in raised.items())
        )
        together += errors["adapted"]
    print(f"spectra, all lights: median {np.median(together):.2f}, 95th percentile {np.quantile(together, 0.95):.2f}")


# ---------------------------------------------------------------- photos


def main() -> None:
    """Draw, light, balance, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=3)
    parser.add_argument("--megapixels", type=float, default=2.0)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    for camera in ("picture", "sensor"):
        print(f"The camera balances its {camera}:")
        photo_table(options.photos, options.megapixels, camera)
    spectral_table(np.random.default_rng(4))


def photo_table(photos: int, megapixels: float, camera: str) -> None:
    """Lights laid over drawn photos; the camera balances its finished ``picture`` or its ``sensor``."""
    settings, spread = Settings(), Spread()
    before: dict[str, list[float]] = {name: [] for name in LIGHTS}
    after: dict[str, list[float]] = {name: [] for name in LIGHTS}
    rng = np.random.default_rng(3)
    truth = colour.lab_of_srgb8(np.array(CHIPS, np.uint8))
    grey = colour.linear_of_srgb(np.array(cardspec.PATCH_SRGB[1]) / 255)
    for number in range(photos):
        plan = site_plan(number, spread)
        scene = visit_scene(plan, 0, spread, megapixels=megapixels)
        neutral = LightSpec(sun=0.0, warmth=0.0, tint=0.0, exposure=0.9, dapple=0.0)
        pixels, _ = render(replace(scene, light=neutral))
        found = card.find_card(pixels, settings.card)
        photo = Photo("drawn.jpg", "0" * 64, None, None, pixels, CameraTag(focal_35mm=26.0))
        fix = surface.fit_surface(photo, found, plan.girth_mm, settings.surface)
        to_px = cv2.getPerspectiveTransform(
            found.corners_mm[:4].astype(np.float32), found.corners_px[:4].astype(np.float32)
        )

        def at(x: float, y: float, to_px: NDArray[np.float64] = to_px) -> tuple[int, int]:
            u, v, w = to_px @ np.array([x, y, 1.0])
            return round(u / w), round(v / w)

        linear = colour.LINEAR_OF_8BIT[pixels]
        u, v = at(*cardspec.PATCH_CENTRES_MM[1])
        level = float(np.median(linear[v - 3 : v + 4, u - 3 : u + 4])) / float(grey)
        places = [at(-18 + 6 * k, -56) for k in range(len(CHIPS))]
        for (u, v), chip in zip(places, CHIPS, strict=True):
            linear[v - 6 : v + 7, u - 6 : u + 7] = colour.linear_of_srgb(np.array(chip) / 255) * level
        for name, xy in LIGHTS.items():
            matrix = light_matrix(xy)
            share = rng.uniform(0.3, 0.9)
            if camera == "sensor":
                cones = BRADFORD @ XYZ_OF_RGB
                own = ((cones @ np.ones(3)) / (cones @ matrix @ np.ones(3))) ** share
                mixed = np.linalg.solve(cones, own[:, None] * (cones @ matrix))
            else:
                mixed = (1 / (matrix @ np.ones(3)))[:, None] ** share * matrix
            lit = np.clip((linear @ mixed.T) / (mixed @ np.ones(3)).max() * rng.uniform(0.7, 1.0), 0, 1)
            noisy = colour.srgb_of_linear(lit) * 255 + rng.normal(0, 1.5, lit.shape)
            shown = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
            balance = colour.white_balance(
                Photo("lit.jpg", "0" * 64, None, None, shown, CameraTag(focal_35mm=26.0)), found, fix
            )
            for result, picture in (
                (before, shown),
                (after, shown if balance is None else colour.apply(balance, shown)),
            ):
                chips = [picture[v - 4 : v + 5, u - 4 : u + 5].reshape(-1, 3) for u, v in places]
                means = np.array([colour.LINEAR_OF_8BIT[chip].mean(axis=0) for chip in chips])
                result[name] += colour.delta_e_2000(colour.lab_of_linear(means), truth).tolist()
    print(f"{photos} photos, {len(CHIPS)} chips, {len(LIGHTS)} lights; CIEDE2000, median (95th percentile)")
    for name in LIGHTS:
        cells = [f"{np.median(v[name]):5.2f} ({np.quantile(v[name], 0.95):5.2f})" for v in (before, after)]
        print(f"{name:14s} before {cells[0]}   after {cells[1]}")
    together = np.concatenate([np.array(v) for v in after.values()])
    sure = metrics.bootstrap(lambda k: float(np.median(together[k])), together.size)
    print(f"all lights: median {sure.value:.2f} ({sure.lo:.2f}-{sure.hi:.2f}; {sure.cases}); reach 2.0")


if __name__ == "__main__":
    main()
