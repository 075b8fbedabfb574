"""A look at an HTML page as a phone without signal meets it: what it asks for from elsewhere, whether it is whole."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = frozenset({"meta", "link", "img", "br", "hr", "input"})


class PlainPage(HTMLParser):
    """``asked`` holds every address of the page that is not inside it, ``open`` the tags that were never closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.asked: list[str] = []
        self.open: list[str] = []
        self.scripts = 0
        self.pictures: list[dict[str, str | None]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._look(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._look(tag, attrs)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def _look(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.scripts += tag == "script" or any(name.startswith("on") for name, _ in attrs)
        addresses = [v for k, v in attrs if k in ("src", "href", "action", "srcset") and v]
        self.asked += [a for a in addresses if not a.startswith(("data:image/", "#"))]
        if tag == "img":
            self.pictures.append(dict(attrs))
