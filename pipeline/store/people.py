"""What people said: reviews, and answers to the program's questions; only ever added to."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from sqlalchemy import insert, select

from pipeline.errors import StoreError
from pipeline.records import Answer, Question, Review, ReviewAnswer, Sign, Stage
from pipeline.store.connected import CHUNK, Connected
from pipeline.store.hand_tables import question_subjects
from pipeline.store.rows import event_json, event_of
from pipeline.store.tables import answers, photos, questions, reviews

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from sqlalchemy import Connection, RowMapping

    from pipeline.records import Event


class People(Connected):
    """Answers of people, each with who and when."""

    def add_review(self, review: Review) -> Review:
        """Keep a person's answer; gives it back with its number.

        Raises
        ------
        StoreError
            If it names a photo or an earlier answer that is not there.
        """
        with self._writing() as connection:
            return insert_review(connection, review)

    def reviews(self, *, sites: Iterable[int] | None = None, standing_only: bool = False) -> list[Review]:
        """Answers in the order in which they were given; ``standing_only`` leaves out those replaced later."""
        query = select(reviews).order_by(reviews.c.id)
        if sites is not None:
            query = query.where(reviews.c.site.in_(sorted(set(sites))))
        if standing_only:
            later = reviews.alias()
            query = query.where(~select(later.c.id).where(later.c.replaces == reviews.c.id).exists())
        with self._reading() as connection:
            return [review_of(row) for row in connection.execute(query).mappings()]

    def ask(self, asked: Sequence[Question]) -> list[Question]:
        """Put questions; one whose key was asked before is not asked again.  Gives the new ones with their numbers."""
        by_key: dict[str, Question] = {}
        for question in asked:
            by_key.setdefault(question.key, question)
        with self._writing() as connection:
            known = _numbers_of_questions(connection, list(by_key))
            new = {key: question for key, question in by_key.items() if key not in known}
            if not new:
                return []
            connection.execute(
                insert(questions),
                [
                    {
                        "key": question.key,
                        "site": question.site,
                        "asked_on": question.asked_on,
                        "from_on": question.from_on,
                        "to_on": question.to_on,
                        "words": question.words,
                    }
                    for question in new.values()
                ],
            )
            numbers = _numbers_of_questions(connection, list(new))
            about = [{"question": numbers[key], "about": q.about} for key, q in new.items() if q.about]
            if about:
                connection.execute(insert(question_subjects), about)
        return [replace(question, id=numbers[key]) for key, question in new.items()]

    def answer(self, answer: Answer) -> Answer:
        """Keep an answer to a question; a later one counts instead, the earlier one stays on record.

        Raises
        ------
        StoreError
            If there is no such question.
        """
        with self._writing() as connection:
            return insert_answer(connection, answer)

    def questions(self, *, open_only: bool = False) -> list[tuple[Question, Answer | None]]:
        """Questions in the order asked, each with the answer that counts."""
        with self._reading() as connection:
            latest = {
                row["question"]: _answer_of(row)
                for row in connection.execute(select(answers).order_by(answers.c.id)).mappings()
            }
            query = (
                select(questions, question_subjects.c.about)
                .outerjoin(question_subjects, question_subjects.c.question == questions.c.id)
                .order_by(questions.c.id)
            )
            asked = [_question_of(row) for row in connection.execute(query).mappings()]
        pairs = [(question, latest.get(question.id)) for question in asked]
        return [pair for pair in pairs if pair[1] is None] if open_only else pairs

    def answered_events(self) -> list[Event]:
        """Events that people told when asked; to be taken with those of the register."""
        with self._reading() as connection:
            latest = {
                row["question"]: _answer_of(row)
                for row in connection.execute(select(answers).order_by(answers.c.id)).mappings()
            }
        return [event for number in sorted(latest) if (event := latest[number].event) is not None]


def insert_answer(connection: Connection, answer: Answer) -> Answer:
    """Add an answer to a question inside a transaction that writes; gives it back with its number.

    Raises
    ------
    StoreError
        If there is no such question.
    """
    if not connection.execute(select(questions.c.id).where(questions.c.id == answer.question)).first():
        raise StoreError(f"There is no question {answer.question}.", "List the open ones first.")
    row = {
        "question": answer.question,
        "who": answer.who,
        "at": answer.at,
        "event": None if answer.event is None else event_json(answer.event),
        "note": answer.note,
    }
    return _answer_of(connection.execute(insert(answers).values(row).returning(*answers.c)).mappings().one())


def insert_review(connection: Connection, review: Review) -> Review:
    """Add an answer inside a transaction that writes; gives it back with its number.

    Raises
    ------
    StoreError
        If it names a photo or an earlier answer that is not there.
    """
    if review.sha256:
        known = connection.execute(select(photos.c.sha256).where(photos.c.sha256 == review.sha256)).first()
        if known is None:
            raise StoreError(f"There is no photo {review.sha256}.", "Name one that has arrived.")
    if review.replaces is not None:
        known = connection.execute(select(reviews.c.id).where(reviews.c.id == review.replaces)).first()
        if known is None:
            raise StoreError(f"There is no answer {review.replaces} to replace.", "Load the page again.")
    row = {
        "who": review.who,
        "at": review.at,
        "answer": review.answer.value,
        "site": review.site,
        "sha256": review.sha256 or None,
        "alert": review.alert,
        "sign": None if review.sign is None else review.sign.value,
        "stage": None if review.stage is None else int(review.stage),
        "note": review.note,
        "payload": review.payload,
        "replaces": review.replaces,
    }
    added = connection.execute(insert(reviews).values(row).returning(*reviews.c)).mappings().one()
    return review_of(added)


def review_of(row: RowMapping) -> Review:
    """The record of a row of ``reviews``."""
    return Review(
        who=row["who"],
        at=row["at"],
        answer=ReviewAnswer(row["answer"]),
        site=row["site"],
        sha256=row["sha256"] or "",
        alert=row["alert"],
        sign=None if row["sign"] is None else Sign(row["sign"]),
        stage=None if row["stage"] is None else Stage(row["stage"]),
        note=row["note"],
        payload=row["payload"],
        replaces=row["replaces"],
        id=row["id"],
    )


def _question_of(row: RowMapping) -> Question:
    return Question(
        row["key"],
        row["site"],
        row["asked_on"],
        row["from_on"],
        row["to_on"],
        row["words"],
        row["id"],
        row["about"] or {},
    )


def _answer_of(row: RowMapping) -> Answer:
    event = None if row["event"] is None else event_of(row["event"])
    return Answer(row["question"], row["who"], row["at"], event, row["note"], row["id"])


def _numbers_of_questions(connection: Connection, keys: Sequence[str]) -> dict[str, int]:
    """Numbers of the questions that were asked, by key."""
    found: dict[str, int] = {}
    for start in range(0, len(keys), CHUNK):
        query = select(questions.c.key, questions.c.id).where(questions.c.key.in_(keys[start : start + CHUNK]))
        found |= {row.key: row.id for row in connection.execute(query)}
    return found
