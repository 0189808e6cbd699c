"""What a page shows, loads and links to."""

from html.parser import HTMLParser
from urllib.parse import unquote


class Audit(HTMLParser):
    """Words that a reader sees, pictures with their texts, and what is loaded."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.remote: list[str] = []
        self.alts: list[str] = []
        self.sections: list[str] = []
        self.chapters: list[str] = []
        self.links: list[str] = []
        self.feed(html)

    def handle_data(self, data: str) -> None:
        self.words += data.split()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        for name in ("src", "href", "data", "action", "srcset"):
            value = values.get(name)
            if value and not value.startswith(("data:", "#")):
                self.remote.append(value)
        if tag == "img":
            self.alts.append(values.get("alt") or "")
        if tag == "section":
            self.sections.append(values["id"] or "")
        if tag == "details" and values.get("class") == "chapter":
            self.chapters.append(values["id"] or "")
            assert "open" not in values
        if tag == "a" and "download" not in values:
            self.links.append(unquote(values["href"] or "").removeprefix("#"))
