"""The drawing stage: one batch of places on the bark, its random numbers and its noise textures.

All parameters of a scene come from a NumPy generator on the host, so the same seed draws
the same scenes on a CPU and on a GPU; only sensor noise is drawn on the device itself.
Lengths are millimetres on the bark; ``x`` points right, ``y`` up, (0, 0) is the patch's middle.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

TILE_PX = 512
WAVE_PX = 16.0
"""Edge of a noise tile, and the length of one wave in it."""
TILES = 12


def _spectrum(rng: torch.Generator, weight: Tensor) -> Tensor:
    """Gaussian fields of zero mean and unit deviation with an amplitude spectrum, shape (TILES, 1, 512, 512)."""
    white = torch.randn(TILES, TILE_PX, TILE_PX, generator=rng)
    field = torch.fft.ifft2(torch.fft.fft2(white) * weight).real
    field = (field - field.mean((1, 2), keepdim=True)) / field.std((1, 2), keepdim=True)
    return field[:, None]


def _worley(rng: torch.Generator) -> tuple[Tensor, Tensor]:
    """Distance to the nearest point and to the border between two points, in waves, on a torus."""
    cells = int(TILE_PX / WAVE_PX)
    points = torch.rand(TILES, 2, cells, cells, generator=rng) * 0.9 + 0.05
    axis = (torch.arange(TILE_PX) + 0.5) / WAVE_PX
    row, col = torch.meshgrid(axis, axis, indexing="ij")
    first = torch.full((TILES, TILE_PX, TILE_PX), 9.0)
    second = first.clone()
    for di in (-1, 0, 1):
        for dj in (-1, 0, 1):
            i = (row.floor().long() + di) % cells
            j = (col.floor().long() + dj) % cells
            dy = row.floor() + di + points[:, 0, i, j] - row
            dx = col.floor() + dj + points[:, 1, i, j] - col
            distance = torch.sqrt(dx * dx + dy * dy)
            second = torch.minimum(second, torch.maximum(first, distance))
            first = torch.minimum(first, distance)
    return first[:, None], (second - first)[:, None]


class NoiseBank:
    """Noise textures of several characters, all with waves of :data:`WAVE_PX`.

    ``smooth`` (one band), ``fbm`` (many octaves), ``ridge`` (0 in the valleys, 1 on crests),
    ``cell`` (0 on borders between cells), ``dot`` (0 in the middle of a cell).
    """

    def __init__(self, device: torch.device, seed: int = 7) -> None:
        rng = torch.Generator().manual_seed(seed)
        frequency = torch.fft.fftfreq(TILE_PX)
        radius = torch.sqrt(frequency[:, None] ** 2 + frequency[None, :] ** 2) * WAVE_PX
        band = torch.exp(-0.5 * ((radius - 1.0) / 0.35) ** 2)
        pink = torch.where(radius > 0.25, (radius.clamp_min(0.25)) ** -1.7, torch.zeros(()))
        smooth, fbm = _spectrum(rng, band), _spectrum(rng, pink)
        ridge = 1 - (_spectrum(rng, pink * (radius > 0.5)).abs() * 1.3).clamp(0, 1)
        dot, cell = _worley(rng)
        self.tiles = {
            name: tile.to(device)
            for name, tile in (("smooth", smooth), ("fbm", fbm), ("ridge", ridge), ("cell", cell), ("dot", dot))
        }


@lru_cache(maxsize=4)
def noise_bank(device: torch.device) -> NoiseBank:
    """The textures of a device, made once a process."""
    return NoiseBank(device)


@dataclass
class Stage:
    """One batch to draw on.

    Attributes
    ----------
    rng
        Host random numbers.
    bank
        Noise textures.
    x, y
        Shape (B, 1, H, W), mm.
    edge_mm
        Shape (B,), edge of the patch on the host.
    """

    rng: np.random.Generator
    bank: NoiseBank
    x: Tensor
    y: Tensor
    edge_mm: np.ndarray

    @classmethod
    def make(cls, rng: np.random.Generator, bank: NoiseBank, edge_mm: np.ndarray, size_px: int) -> Stage:
        """Lay out the coordinates of a batch of square patches."""
        device = bank.tiles["smooth"].device
        axis = (torch.arange(size_px, device=device, dtype=torch.float32) + 0.5) / size_px - 0.5
        edge = torch.as_tensor(edge_mm, dtype=torch.float32, device=device).view(-1, 1, 1, 1)
        x = axis.view(1, 1, 1, -1) * edge
        y = -axis.view(1, 1, -1, 1) * edge
        shape = (len(edge_mm), 1, size_px, size_px)
        return cls(rng, bank, x.expand(shape), y.expand(shape), edge_mm)

    @property
    def count(self) -> int:
        """Patches in the batch."""
        return int(self.x.shape[0])

    @property
    def device(self) -> torch.device:
        """Where the batch lives."""
        return self.x.device

    @property
    def px_mm(self) -> Tensor:
        """Edge of a pixel, shape (B, 1, 1, 1), mm."""
        return self.host(self.edge_mm / self.x.shape[-1])

    def subset(self, rows: np.ndarray) -> Stage:
        """The stage of some rows of the batch."""
        index = torch.as_tensor(rows, device=self.device)
        return Stage(self.rng, self.bank, self.x[index], self.y[index], self.edge_mm[rows])

    def host(self, values: np.ndarray | float) -> Tensor:
        """Host values as a tensor of shape (B, 1, 1, 1) (or (B, C, 1, 1) for (B, C))."""
        array = np.broadcast_to(np.asarray(values, dtype=np.float32), (self.count, *np.shape(values)[1:]))
        tensor = torch.as_tensor(np.array(array), device=self.device)
        return tensor.view(self.count, -1, 1, 1)

    def uniform(self, low: float, high: float) -> Tensor:
        """One number a patch, shape (B, 1, 1, 1)."""
        return self.host(self.rng.uniform(low, high, self.count))

    def log_uniform(self, low: float, high: float) -> Tensor:
        """One number a patch, evenly spread in the logarithm."""
        return self.host(np.exp(self.rng.uniform(np.log(low), np.log(high), self.count)))

    def chance(self, probability: float) -> Tensor:
        """1 with a probability, else 0, one a patch."""
        return self.host((self.rng.random(self.count) < probability).astype(np.float32))

    def colour(self, palette: tuple[tuple[float, float, float], ...], spread: float = 0.05) -> Tensor:
        """A colour mixed from two neighbours of a palette, shape (B, 3, 1, 1)."""
        table = np.asarray(palette)
        first = self.rng.integers(len(table), size=self.count)
        second = np.clip(first + self.rng.integers(-1, 2, self.count), 0, len(table) - 1)
        mix = self.rng.random((self.count, 1))
        colour = table[first] * mix + table[second] * (1 - mix)
        colour = colour * np.exp(self.rng.normal(0, spread, (self.count, 1)))
        return self.host(np.clip(colour + self.rng.normal(0, spread / 2.5, colour.shape), 0.01, 0.98))

    def noise(
        self, kind: str, wave_mm: Tensor | float, stretch: Tensor | float = 1.0, turn: Tensor | float = 0.0
    ) -> Tensor:
        """Noise of a wave length on the bark, drawn out along ``y`` by ``stretch`` and turned by ``turn`` rad."""
        return self.noise_at(self.x, self.y, kind, wave_mm, stretch, turn)

    def noise_at(
        self,
        x: Tensor,
        y: Tensor,
        kind: str,
        wave_mm: Tensor | float,
        stretch: Tensor | float = 1.0,
        turn: Tensor | float = 0.0,
    ) -> Tensor:
        """As :meth:`noise`, at other coordinates (for warped or copied textures)."""
        turn = torch.as_tensor(turn, device=self.device)
        cos, sin = torch.cos(turn), torch.sin(turn)
        u = (x * cos + y * sin) / wave_mm
        v = (y * cos - x * sin) / (wave_mm * stretch)
        offset = self.host(self.rng.uniform(-1, 1, (self.count, 2)))
        scale = 2 * WAVE_PX / TILE_PX
        grid = torch.stack(((u * scale + offset[:, :1])[:, 0], (v * scale + offset[:, 1:])[:, 0]), dim=-1)
        tiles = self.bank.tiles[kind]
        pick = torch.as_tensor(self.rng.integers(TILES, size=self.count), device=self.device)
        return F.grid_sample(tiles[pick], grid, mode="bilinear", padding_mode="reflection", align_corners=False)

    def blob(
        self, x_mm: Tensor, y_mm: Tensor, radius_mm: Tensor, ragged: Tensor | float, tall: Tensor | float = 1.0
    ) -> Tensor:
        """A ragged field, above 0 inside a patch of about ``radius_mm``; its unit is the radius."""
        distance = torch.sqrt((self.x - x_mm) ** 2 + ((self.y - y_mm) / tall) ** 2) / radius_mm
        rough = 0.6 * self.noise("smooth", radius_mm * 0.9) + 0.4 * self.noise("fbm", radius_mm * 0.5)
        return 1 - distance + ragged * rough


def smoothstep(low: Tensor | float, high: Tensor | float, value: Tensor) -> Tensor:
    """0 below ``low``, 1 above ``high``, smooth between."""
    t = ((value - low) / (high - low)).clamp(0, 1)
    return t * t * (3 - 2 * t)


def mix(below: Tensor, above: Tensor, share: Tensor) -> Tensor:
    """``below`` where ``share`` is 0, ``above`` where it is 1."""
    return below + (above - below) * share


def shift(field: Tensor, dx_px: Tensor, dy_px: Tensor) -> Tensor:
    """``field`` read at places ``dx_px`` right and ``dy_px`` down, shape kept, borders repeated."""
    count, _, height, width = field.shape
    rows = torch.linspace(-1 + 1 / height, 1 - 1 / height, height, device=field.device)
    cols = torch.linspace(-1 + 1 / width, 1 - 1 / width, width, device=field.device)
    u = cols.view(1, 1, -1).expand(count, height, width) + 2 * dx_px.view(-1, 1, 1) / width
    v = rows.view(1, -1, 1).expand(count, height, width) + 2 * dy_px.view(-1, 1, 1) / height
    return F.grid_sample(field, torch.stack((u, v), -1), padding_mode="border", align_corners=False)


def blur(field: Tensor, sigma_px: Tensor, reach: int = 6) -> Tensor:
    """Gaussian blur with one deviation a patch, separable, borders repeated."""
    count, channels, height, width = field.shape
    offsets = torch.arange(-reach, reach + 1, device=field.device, dtype=torch.float32)
    kernel = torch.exp(-0.5 * (offsets / sigma_px.view(-1, 1).clamp_min(0.05)) ** 2)
    kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(channels, 0)
    flat = field.reshape(1, count * channels, height, width)
    flat = F.conv2d(
        F.pad(flat, (reach, reach, 0, 0), mode="replicate"), kernel[:, None, None, :], groups=count * channels
    )
    flat = F.conv2d(
        F.pad(flat, (0, 0, reach, reach), mode="replicate"), kernel[:, None, :, None], groups=count * channels
    )
    return flat.view(count, channels, height, width)
