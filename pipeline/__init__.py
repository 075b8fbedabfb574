"""Woundwood: dated photos of numbered wound sites in; per tree a health timeline and alerts out."""

__version__ = "0.1.0"
