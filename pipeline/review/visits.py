"""Who is asking: reading a request, its session and its form, before a page sees it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlencode

from starlette.exceptions import HTTPException

from pipeline.review.accounts import Role
from pipeline.review.queue import KINDS, ORDERS, Filters

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request

    from pipeline.review.security import Session

MAX_FIELDS = 120
CARRIED = "filter-"
FILTERS = ("block", "tree", "sign", "kind", "order")
MAX_SITE_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Visit:
    """A request of somebody who is signed in."""

    session: Session
    role: Role
    path: str
    query: Mapping[str, Sequence[str]]
    form: Mapping[str, Sequence[str]] = field(default_factory=dict)
    parts: Mapping[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The person's name."""
        return self.session.name

    @property
    def may_answer(self) -> bool:
        """Whether the person may answer."""
        return self.role.rank >= Role.REVIEWER.rank

    @property
    def is_steward(self) -> bool:
        """Whether the person looks after accounts and the log."""
        return self.role is Role.STEWARD

    def asked(self, name: str) -> str:
        """A value of the address, at most 80 letters."""
        return (self.query.get(name) or ("",))[0][:80]

    def sent(self, name: str) -> str:
        """A value of the form."""
        return (self.form.get(name) or ("",))[0]

    def filters(self) -> Filters:
        """The filters in the address, or in a form that carries them along.

        There they have names of their own: an answer has a field ``sign`` too, and means something else by it.
        """
        values = {name: (self.asked(name) or self.sent(CARRIED + name)[:80]) for name in FILTERS}
        if values["kind"] not in KINDS:
            values["kind"] = ""
        if values["order"] not in ORDERS[1:]:
            values["order"] = ""
        return Filters(**values)

    def number(self, name: str = "site") -> int:
        """A number in the path."""
        text = self.parts[name]
        if not (text.isascii() and text.isdigit() and len(text) <= MAX_SITE_DIGITS):
            raise HTTPException(404)
        return int(text)


def filter_query(filters: Filters) -> str:
    """The filters as the end of an address, with its question mark, or nothing."""
    kept = {name: getattr(filters, name) for name in Filters.__dataclass_fields__ if getattr(filters, name)}
    return "?" + urlencode(kept) if kept else ""


async def read_form(request: Request) -> dict[str, list[str]]:
    """The fields of a form.

    Raises
    ------
    HTTPException
        400 if it is not UTF-8, holds control characters or too many fields.
    """
    body = await request.body()
    try:
        fields = parse_qs(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=MAX_FIELDS)
    except ValueError:  # also UnicodeDecodeError, and too many fields
        raise HTTPException(400) from None
    if any("\x00" in text for values in fields.values() for text in values):
        raise HTTPException(400)
    return fields


def read_query(request: Request) -> dict[str, list[str]]:
    """The fields of an address.

    Raises
    ------
    HTTPException
        400 if they are not UTF-8 or too many.
    """
    try:
        text = request.scope["query_string"].decode("ascii")
        fields = parse_qs(text, errors="strict", max_num_fields=MAX_FIELDS)
    except ValueError:
        raise HTTPException(400) from None
    if any("\x00" in value for values in fields.values() for value in values):
        raise HTTPException(400)
    return fields
