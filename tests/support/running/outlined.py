"""A page as its parser sees it: text, references, identifiers; complains about unbalanced tags."""

from __future__ import annotations

from html.parser import HTMLParser

NASTY = '<script>alert("x")</script> & Söhne'
VOID = {"meta", "link", "br", "hr", "img", "input"}


class Outline(HTMLParser):
    """Tags, identifiers, text and references of a page; complains about unbalanced tags."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.tags: list[str] = []
        self.references: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        self._look(attrs)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._look(attrs)

    def _look(self, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id" and value:
                self.ids.append(value)
            if name in ("href", "src", "xlink:href", "data", "action", "srcset") and value:
                self.references.append(value)

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open.pop() == tag, f"</{tag}> closes nothing"

    def handle_data(self, data: str) -> None:
        if not {"style", "title", "script"} & set(self.open):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def outlined(page: str) -> Outline:
    found = Outline()
    found.feed(page)
    assert found.open == []
    return found
