"""Photos drawn for tests by plain ray casting, independent of ``pipeline``'s own geometry.

A pinhole camera (OpenCV axes) looks at a flat card in front of a round trunk.  Every pixel's ray is
intersected with the card's rectangle, then with the cylinder; colours are looked up there.  The card's
picture is drawn from the numbers of the site-card sheet with :func:`cv2.aruco.generateImageMarker`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

CARD_PX_PER_MM = 16
GREYS = (119, 186, 60)


def card_picture(upper: int, lower: int, codes: tuple[bool, bool] = (True, True)) -> np.ndarray:
    """The card as uint8 RGB, 16 px a mm, shape (1600, 704, 3); ``codes`` False leaves a marker blank."""
    k = CARD_PX_PER_MM
    picture = np.full((100 * k, 44 * k), 245, np.uint8)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)

    def paste(centre: tuple[float, float], tile: np.ndarray) -> None:
        column = round((22 + centre[0]) * k - tile.shape[1] / 2)
        row = round((50 - centre[1]) * k - tile.shape[0] / 2)
        picture[row : row + tile.shape[0], column : column + tile.shape[1]] = tile

    for code, centre, drawn in ((upper, (0, 22), codes[0]), (lower, (0, -30), codes[1])):
        if drawn:
            tile = cv2.aruco.generateImageMarker(family, code, 30 * k, borderBits=1)
            paste(centre, np.where(tile > 127, 245, 18).astype(np.uint8))
    for x, grey in zip((-11.5, 0, 11.5), GREYS, strict=True):
        paste((x, -4), np.full((9 * k, 9 * k), grey, np.uint8))
    cv2.circle(picture, (22 * k, 5 * k), 2 * k, 40, -1)
    return np.repeat(picture[:, :, None], 3, axis=2)


def look_at(
    distance_mm: float,
    azimuth_deg: float = 0,
    elevation_deg: float = 0,
    roll_deg: float = 0,
    aim_mm: tuple[float, float] = (0, -45),
) -> tuple[np.ndarray, np.ndarray]:
    """Rotation (3, 3) and translation (3,) from the card frame to a camera that looks at ``aim_mm``."""
    az, el, ro = np.deg2rad([azimuth_deg, elevation_deg, roll_deg])
    direction = np.array([np.sin(az) * np.cos(el), np.sin(el), np.cos(az) * np.cos(el)])
    eye = np.array([*aim_mm, 0.0]) + distance_mm * direction
    forward = -direction
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    turn = np.array([[np.cos(ro), -np.sin(ro), 0], [np.sin(ro), np.cos(ro), 0], [0, 0, 1]])
    rotation = turn @ np.stack([right, down, forward])
    return rotation, -rotation @ eye


@dataclass
class View:
    """What is drawn and from where; lengths in mm."""

    width_px: int = 800
    height_px: int = 1000
    focal_px: float = 900.0
    distance_mm: float = 420.0
    azimuth_deg: float = 0.0
    elevation_deg: float = 0.0
    roll_deg: float = 0.0
    aim_mm: tuple[float, float] = (0.0, -45.0)
    radius_mm: float = 90.0
    standoff_mm: float = 1.0
    tilt_deg: float = 0.0
    codes: tuple[int, int] = (12, 345)
    drawn_codes: tuple[bool, bool] = (True, True)
    ellipse: tuple[float, float, float, float] | None = (0.0, -100.0, 40.0, 60.0)
    """Centre x, y (arc, along) and full width, height of a dark opening on the bark."""
    distortion: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)
    blur_px: float = 0.0
    noise: float = 0.0
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """Of the light, in linear light."""
    card_at_mm: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    bark: tuple[int, int, int] = (128, 112, 96)
    texture: float = 14.0
    seed: int = 0
    supersample: int = 4
    """Rays across a pixel of the card."""

    @property
    def camera_matrix(self) -> np.ndarray:
        """Shape (3, 3), principal point in the picture's middle."""
        return np.array(
            [
                [self.focal_px, 0, (self.width_px - 1) / 2],
                [0, self.focal_px, (self.height_px - 1) / 2],
                [0, 0, 1],
            ]
        )

    @property
    def pose(self) -> tuple[np.ndarray, np.ndarray]:
        """Rotation and translation, card frame to camera."""
        return look_at(self.distance_mm, self.azimuth_deg, self.elevation_deg, self.roll_deg, self.aim_mm)


def project(view: View, points_mm: np.ndarray) -> np.ndarray:
    """Card-frame points (N, 3) in the picture, by OpenCV."""
    rotation, translation = view.pose
    vector, _ = cv2.Rodrigues(rotation)
    points, _ = cv2.projectPoints(
        np.asarray(points_mm, np.float64).reshape(-1, 1, 3),
        vector,
        translation,
        view.camera_matrix,
        np.asarray(view.distortion),
    )
    return points[:, 0]


def bark_points(view: View, site_mm: np.ndarray) -> np.ndarray:
    """Card-frame points of bark places (arc, along), shape (N, 2) -> (N, 3).

    A positive tilt moves the card's lower edge away from the trunk.
    """
    arc, along = np.asarray(site_mm, np.float64).T
    angle = arc / view.radius_mm
    tilt = np.deg2rad(view.tilt_deg)
    depth = view.radius_mm * (np.cos(angle) - 1) - view.standoff_mm
    return np.stack(
        [
            view.radius_mm * np.sin(angle),
            along * np.cos(tilt) - depth * np.sin(tilt),
            along * np.sin(tilt) + depth * np.cos(tilt),
        ],
        axis=1,
    )


def bark_texture(seed: int, strength: float) -> np.ndarray:
    """A tile of rough bark, float32 (512, 512), mean 0, that repeats; one pixel is 0.5 mm."""
    rng = np.random.default_rng(seed)
    total = np.zeros((512, 512), np.float32)
    for sigma in (1.0, 3.0, 9.0):
        layer = cv2.GaussianBlur(
            rng.standard_normal((512, 512)).astype(np.float32),
            (0, 0),
            sigma,
            sigmaY=2 * sigma,
            borderType=cv2.BORDER_REFLECT,
        )
        total += layer / layer.std()
    return strength * total / 3**0.5


def photo(view: View) -> np.ndarray:
    """The picture, uint8 RGB (drawn once for equal views; do not change it in place)."""
    return _photo(repr(view), view)


_DRAWN: dict[str, np.ndarray] = {}


def _photo(key: str, view: View) -> np.ndarray:
    if key in _DRAWN:
        return _DRAWN[key]
    tile = bark_texture(view.seed, view.texture)
    cards = [card_picture(*view.codes, view.drawn_codes)] * len(view.card_at_mm)
    linear = np.concatenate(
        [
            _block(view, 0, view.width_px, row, min(row + 100, view.height_px), 1, tile, cards)
            for row in range(0, view.height_px, 100)
        ]
    )
    # only the card's edges are measured to fractions of a pixel, so only they are drawn finely
    for centre in view.card_at_mm:
        outline = np.array([(centre[0] + x, centre[1] + y, 0) for x in (-24, 24) for y in (-52, 52)])
        corners = project(view, outline)
        left, top = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
        right, bottom = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, [view.width_px, view.height_px])
        for row in range(top, bottom, 50):
            last = min(row + 50, bottom)
            linear[row:last, left:right] = _block(view, left, right, row, last, view.supersample, tile, cards)
    if view.blur_px > 0:
        linear = cv2.GaussianBlur(linear, (0, 0), view.blur_px)
    linear = np.clip(linear * np.asarray(view.gains, np.float32), 0, 1)
    picture = 255 * np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)
    if view.noise > 0:
        picture = picture + np.random.default_rng(view.seed + 1).normal(0, view.noise, picture.shape)
    _DRAWN[key] = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
    return _DRAWN[key]


def _block(
    view: View, left: int, right: int, first: int, last: int, k: int, tile: np.ndarray, cards: list[np.ndarray]
) -> np.ndarray:
    """Linear light of a block of pixels, each the mean of k x k rays."""
    sub = (np.arange(k) + 0.5) / k - 0.5
    x = (np.arange(left, right)[:, None] + sub).ravel()
    y = (np.arange(first, last)[:, None] + sub).ravel()
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 1, 2)
    if any(view.distortion):
        plane = cv2.undistortPoints(grid, view.camera_matrix, np.asarray(view.distortion))[:, 0]
    else:
        plane = (grid[:, 0] - view.camera_matrix[:2, 2]) / view.focal_px
    rotation, translation = view.pose
    rays = np.concatenate([plane, np.ones((len(plane), 1))], axis=1) @ rotation
    eye = -rotation.T @ translation
    colour = np.empty((len(rays), 3), np.float32)
    colour[:] = (150, 170, 140)
    _bark_colour(view, eye, rays, tile, colour)
    t = -eye[2] / rays[:, 2]
    hit = eye[None, :2] + t[:, None] * rays[:, :2]
    for picture, centre in zip(cards, view.card_at_mm, strict=True):
        local = hit - centre
        on = (np.abs(local[:, 0]) < 22) & (np.abs(local[:, 1]) < 50) & (t > 0)
        column = ((local[on, 0] + 22) * CARD_PX_PER_MM).astype(int)
        row = ((50 - local[on, 1]) * CARD_PX_PER_MM).astype(int)
        colour[on] = picture[row, column]
    share = np.clip(colour, 0, 255) / np.float32(255)
    light = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return light.reshape(last - first, k, right - left, k, 3).mean(axis=(1, 3), dtype=np.float32)


def _bark_colour(view: View, eye: np.ndarray, rays: np.ndarray, tile: np.ndarray, colour: np.ndarray) -> None:
    # into the trunk's own frame: axis along y through (0, y, -radius)
    tilt = np.deg2rad(view.tilt_deg)
    turn = np.array([[1, 0, 0], [0, np.cos(tilt), np.sin(tilt)], [0, -np.sin(tilt), np.cos(tilt)]])
    start = turn @ eye + np.array([0, 0, view.standoff_mm + view.radius_mm])
    way = rays @ turn.T
    a = way[:, 0] ** 2 + way[:, 2] ** 2
    b = start[0] * way[:, 0] + start[2] * way[:, 2]
    c = start[0] ** 2 + start[2] ** 2 - view.radius_mm**2
    root = b * b - a * c
    seen = root > 0
    t = (-b[seen] - np.sqrt(root[seen])) / a[seen]
    at = start + t[:, None] * way[seen]
    arc = view.radius_mm * np.arctan2(at[:, 0], at[:, 2])
    along = at[:, 1]
    u = (arc * 2).astype(int) % 512
    v = (along * 2).astype(int) % 512
    shade = np.asarray(view.bark, np.float32) + tile[v, u][:, None]
    if view.ellipse is not None:
        cx, cy, width, height = view.ellipse
        inside = ((arc - cx) / (width / 2)) ** 2 + ((along - cy) / (height / 2)) ** 2 < 1
        shade[inside] = (60, 40, 25)
    colour[seen] = shade
