"""Reads a report as a browser would take it, and notes what a validator would object to.

Elements without an end tag: HTML Standard, section 13.1.2 (void elements), from memory of it. Where elements may stand:
the same, from memory. That the text parses without error is for `tinyhtml5` to say.
"""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
FETCHING = {"src", "href", "srcset", "action", "formaction", "data", "poster", "background", "cite", "ping", "manifest"}
MAY_STAND_IN = {"li": {"ul"}, "td": {"tr"}, "th": {"tr"}, "tr": {"thead", "tbody"}, "dt": {"dl"}, "caption": {"table"}}


class Nesting(HTMLParser):
    """Notes what a validator would: elements that are closed out of turn or stand where they may not; references."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.references: list[str] = []
        self.inner: list[str] = []
        self.ids: list[str] = []
        self.elements: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.references += [
            f"{name}={value}"
            for name, value in attrs
            if (name in FETCHING and not str(value).startswith("#")) or name.startswith("on")
        ]
        self.inner += [str(value)[1:] for name, value in attrs if name == "href" and str(value).startswith("#")]
        self.ids += [str(value) for name, value in attrs if name == "id"]
        if tag in MAY_STAND_IN and self.open[-1] not in MAY_STAND_IN[tag]:
            self.wrong.append(f"{tag} in {self.open[-1]}")
        if tag in ("ul", "table", "div", "h2", "h3", "p") and "p" in self.open:
            self.wrong.append(f"{tag} in p")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(f"/{tag}")

    def handle_data(self, data: str) -> None:
        self.text += data


def parsed(html: str) -> Nesting:
    nesting = Nesting()
    nesting.feed(html)
    nesting.close()
    return nesting
