"""A page taken apart by the standard library's parser."""

from __future__ import annotations

from html.parser import HTMLParser


class Page(HTMLParser):
    """Tags with their attributes, and the text within each, without the style."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[str] = []
        self.texts: dict[str, list[str]] = {}
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "use", "path"):
            self.inside.append(tag)
            self.texts.setdefault(tag, []).append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in self.inside:
            while self.inside.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        for tag in {t for t in self.inside if "style" not in self.inside}:
            self.texts[tag][-1] += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]

    def words(self, tag: str) -> list[str]:
        return [" ".join(text.split()) for text in self.texts.get(tag, [])]
