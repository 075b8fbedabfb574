"""What a field hand should do about a refused photo: a few kinds, each one short sentence and one drawing."""

from pipeline.advice.drawings import drawing
from pipeline.advice.kinds import SENTENCES, Advice, advice_for

__all__ = ["SENTENCES", "Advice", "advice_for", "drawing"]
