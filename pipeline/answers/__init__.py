"""The answer that the shared folder gives: what was accepted, what to take again and how, what is still missing."""

from pipeline.answers.day import FolderAnswer, Verdict, answers_of
from pipeline.answers.page import ANSWER, ROUND, write_answer
from pipeline.answers.post import Post

__all__ = ["ANSWER", "ROUND", "FolderAnswer", "Post", "Verdict", "answers_of", "write_answer"]
