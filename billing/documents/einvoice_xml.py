"""What the two syntaxes have in common: how a part is added and found, and how days and figures are written."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal, InvalidOperation

from lxml import etree
from lxml.etree import _Element as Element

MOST_BYTES = 20_000_000


class NotAnEInvoice(ValueError):
    """The bytes are no e-invoice that can be read: too large, no XML, another kind of document, or parts missing."""


class Names:
    """Prefixes of one syntax: turns "ram:ID" into a name with its namespace."""

    def __init__(self, spaces: dict[str, str]) -> None:
        self.spaces = spaces

    def tag(self, name: str) -> str:
        prefix, _, local = name.partition(":")
        return f"{{{self.spaces[prefix]}}}{local}"

    def root(self, space: str, local: str, spaces: dict[str, str]) -> Element:
        """The outermost part, with the prefixes that the document declares (the empty one stands for itself)."""
        declared = {prefix or None: name for prefix, name in spaces.items()}
        return etree.Element(f"{{{space}}}{local}", nsmap=declared)  # type: ignore[arg-type]

    def add(self, parent: Element, path: str, text: str | None = None, **attributes: str) -> Element:
        """Add a part, with the parts on the way to it; `text` goes into the last one."""
        part = parent
        for name in path.split("/"):
            part = etree.SubElement(part, self.tag(name))
        if text is not None:
            part.text = text
        for name, value in attributes.items():
            part.set(name, value)
        return part

    def maybe(self, parent: Element, path: str, text: str, **attributes: str) -> Element | None:
        """Add a part if there is something to say."""
        return self.add(parent, path, text, **attributes) if text else None

    def find(self, parent: Element, path: str) -> Element | None:
        return parent.find(path, self.spaces)

    def need(self, parent: Element, path: str) -> Element:
        """The part. Raises NotAnEInvoice if it is not there."""
        found = self.find(parent, path)
        if found is None:
            raise NotAnEInvoice(f"{path} is missing")
        return found

    def all(self, parent: Element, path: str) -> list[Element]:
        return parent.findall(path, self.spaces)

    def text(self, parent: Element, path: str) -> str:
        """The text of a part, empty if there is no such part."""
        found = self.find(parent, path)
        return "" if found is None or found.text is None else found.text.strip()

    def figure(self, parent: Element, path: str, default: str | None = None) -> Decimal:
        """The figure of a part. Raises NotAnEInvoice if it is missing without a default, or no figure."""
        text = self.text(parent, path) or default
        if text is None:
            raise NotAnEInvoice(f"{path} is missing")
        return as_figure(text, path)


def as_figure(text: str, where: str) -> Decimal:
    """A figure as it was written. Raises NotAnEInvoice."""
    try:
        figure = Decimal(text)
    except InvalidOperation:
        raise NotAnEInvoice(f"{where} is no figure: {text}") from None
    if not figure.is_finite():
        raise NotAnEInvoice(f"{where} is no figure: {text}")
    return figure


def plain(figure: Decimal) -> str:
    """A quantity, price or rate with as few decimals as it needs."""
    text = f"{figure:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def compact(day: date) -> str:
    """A day as CII writes it (format 102)."""
    return f"{day:%Y%m%d}"


def day_of(text: str, *, form: str = "%Y-%m-%d") -> date | None:
    """A day as it was written; None where nothing is written. Raises NotAnEInvoice."""
    if not text:
        return None
    try:
        return datetime.strptime(text, form).date()  # noqa: DTZ007  (a day has no zone)
    except ValueError:
        raise NotAnEInvoice(f"{text} is no day") from None


def parsed(content: bytes) -> Element:
    """The outermost part of XML that came from outside: no document type, no entities, nothing fetched.

    Raises NotAnEInvoice.
    """
    if len(content) > MOST_BYTES:
        raise NotAnEInvoice("too large")
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
    try:
        root = etree.fromstring(content, parser)
    except etree.XMLSyntaxError as wrong:
        raise NotAnEInvoice("no XML") from wrong
    if root.getroottree().docinfo.doctype:  # type: ignore[union-attr]
        raise NotAnEInvoice("a document type is not allowed")
    return root


def as_bytes(root: Element) -> bytes:
    """The document as bytes, the same for the same parts."""
    written: bytes = etree.tostring(root, xml_declaration=True, encoding="UTF-8", pretty_print=True)
    return written
