"""What scenes are drawn with, and how often what is drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace

from pipeline.learn.bark import PhotoBank


@dataclass
class Banks:
    """Photographs that scenes may use, by what they show; every one may be missing."""

    bark: PhotoBank | None = None
    plain: PhotoBank | None = None
    film: PhotoBank | None = None
    moss: PhotoBank | None = None
    lichen: PhotoBank | None = None
    background: PhotoBank | None = None


@dataclass(frozen=True)
class Mix:
    """How often what is drawn."""

    real_bark: float = 0.75
    plain: float = 0.45
    no_wound: float = 0.16
    not_a_site: float = 0.06
    sign: float = 0.52
    second_sign: float = 0.25
    lookalike: float = 0.6
    second_lookalike: float = 0.4
    resin: float = 0.22
    foreign: float = 0.15
    background: float = 0.08
    unseen: float = 0.10


def clean_only(shares: Mix) -> Mix:
    """The same mix without any sign."""
    return replace(shares, sign=0.0)
