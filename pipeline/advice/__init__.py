"""What a field hand should do about a refused photo: a few kinds, each one short sentence and one drawing."""

from pipeline.advice.drawings import drawing
from pipeline.advice.kinds import ADVICE_FOR, SENTENCES, Advice

__all__ = ["ADVICE_FOR", "SENTENCES", "Advice", "drawing"]
