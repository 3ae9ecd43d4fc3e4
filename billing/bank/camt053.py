"""Reads bank statements of ISO 20022: camt.053.001.02 and .08, the versions banks send.

Element names: ISO 20022 message definition report "Bank-to-Customer Cash Management". An entry (Ntry) may stand for no,
one or many transactions (NtryDtls/TxDtls); their amounts are used only when they make the entry's amount.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal, InvalidOperation
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from billing.bank.statement import BankLine, Statement, StatementRefused

VERSIONS = ("camt.053.001.02", "camt.053.001.08")
MOST_BYTES = 30_000_000


def is_camt(content: bytes) -> bool:
    """Whether this looks like an XML message of the family, of whatever version."""
    return b"camt." in content[:2000] and content.lstrip(b"\xef\xbb\xbf \r\n\t")[:1] == b"<"


def read_camt053(content: bytes) -> list[Statement]:
    """The statements of a file, each with its booked lines.

    Raises StatementRefused: too_large, not_xml, not_camt053 (which: what it is), nothing_in_it, bad_amount, bad_date,
    does_not_add_up (account; opening, closing and the lines' sum disagree).
    """
    if len(content) > MOST_BYTES:
        raise StatementRefused("too_large")
    try:
        root = fromstring(content)
    except (ParseError, DefusedXmlException, ValueError) as wrong:
        raise StatementRefused("not_xml") from wrong
    space = root.tag[1:].partition("}")[0] if root.tag.startswith("{") else ""
    version = space.rpartition(":")[2]
    if version not in VERSIONS:
        raise StatementRefused("not_camt053", which=version or root.tag)
    for part in root.iter():
        part.tag = part.tag.rpartition("}")[2]
    statements = [_statement(part) for part in root.iterfind("BkToCstmrStmt/Stmt")]
    if not statements:
        raise StatementRefused("nothing_in_it")
    for one in statements:
        if one.adds_up is False:
            raise StatementRefused("does_not_add_up", account=one.account)
    return statements


def _statement(part: Element) -> Statement:
    account = _text(part, "Acct/Id/IBAN") or _text(part, "Acct/Id/Othr/Id")
    lines: list[BankLine] = []
    waiting = 0
    for entry in part.iterfind("Ntry"):
        if (_text(entry, "Sts/Cd") or _text(entry, "Sts")) not in ("", "BOOK"):
            waiting += 1
            continue
        lines += _lines(entry, account)
    balances = {_text(one, "Tp/CdOrPrtry/Cd"): one for one in part.iterfind("Bal")}
    opening = balances.get("OPBD", balances.get("PRCD"))
    closing = balances.get("CLBD")
    currency = _text(part, "Acct/Ccy")
    for place in (*balances.values(), *part.iterfind("Ntry")):
        currency = currency or _amount_part(place).get("Ccy", "")
    return Statement(
        account=account,
        currency=currency,
        lines=tuple(lines),
        number=_text(part, "ElctrncSeqNb") or _text(part, "LglSeqNb") or _text(part, "Id"),
        opening=_balance(opening, currency),
        closing=_balance(closing, currency),
        not_booked=waiting,
    )


def _balance(part: Element | None, currency: str) -> Decimal | None:
    return None if part is None or _amount_part(part).get("Ccy") != currency else _signed(part)


def _lines(entry: Element, account: str) -> Iterator[BankLine]:
    total, booked_on = _signed(entry), _day(entry)
    if total == 0:
        return
    parts = list(entry.iterfind("NtryDtls/TxDtls"))
    amounts = [_of_transaction(one, entry) for one in parts]
    if len(parts) > 1 and (None in amounts or sum(filter(None, amounts)) != total or 0 in amounts):
        parts, amounts = [], []  # the bank does not say how the entry is made up: one line, for a person to split
    if not parts:
        everything = list(entry.iterfind("NtryDtls/TxDtls"))
        yield _line(entry, everything[0] if len(everything) == 1 else None, everything, account, booked_on, total)
        return
    if len(parts) == 1:
        amounts = [total]  # a transaction's own amount may be in another currency, or before the bank's charges
    for one, amount in zip(parts, amounts, strict=True):
        yield _line(entry, one, [one], account, booked_on, amount or total)


def _line(
    entry: Element, one: Element | None, parts: list[Element], account: str, booked_on: date, amount: Decimal
) -> BankLine:
    came_in = amount > 0
    side, own = ("Dbtr", "DbtrAcct") if came_in else ("Cdtr", "CdtrAcct")
    returned = _text(entry, "RvslInd").lower() in ("true", "1") or any(p.find("RtrInf") is not None for p in parts)
    if returned:  # what goes back still names the payer as the debtor of the first transfer
        side, own = "Dbtr", "DbtrAcct"
    detail = Element("TxDtls") if one is None else one
    references = [
        found
        for part in parts
        for ref in part.iterfind("RmtInf/Strd/CdtrRefInf/Ref")
        if (found := (ref.text or "").strip())
    ]
    texts = [(text.text or "").strip() for part in parts for text in part.iterfind("RmtInf/Ustrd")]
    texts.append(_text(entry, "AddtlNtryInf") if not any(texts) else "")
    servicer = _text(detail, "Refs/AcctSvcrRef") or _text(entry, "AcctSvcrRef") or _text(entry, "NtryRef")
    return BankLine(
        account=account,
        booked_on=booked_on,
        amount=amount,
        currency=_amount_part(entry).get("Ccy", ""),
        payer=_text(detail, f"RltdPties/{side}/Pty/Nm") or _text(detail, f"RltdPties/{side}/Nm"),
        payer_account=_text(detail, f"RltdPties/{own}/Id/IBAN") or _text(detail, f"RltdPties/{own}/Id/Othr/Id"),
        references=tuple(dict.fromkeys(references)),
        text=" ".join(filter(None, texts)),
        end_to_end=_text(detail, "Refs/EndToEndId").replace("NOTPROVIDED", ""),
        bank_reference=servicer,
        returned=returned,
    )


def _of_transaction(part: Element, entry: Element) -> Decimal | None:
    """A transaction's amount with its sign, or None when it tells none in the entry's currency."""
    told = part.find("Amt")
    if told is None:
        told = part.find("AmtDtls/TxAmt/Amt")
    if told is None or told.get("Ccy") != _amount_part(entry).get("Ccy"):
        return None
    side = _text(part, "CdtDbtInd") or _text(entry, "CdtDbtInd")
    return _number(told.text) * (-1 if side == "DBIT" else 1)


def _amount_part(part: Element) -> Element:
    found = part.find("Amt")
    if found is None:
        raise StatementRefused("bad_amount", amount="")
    return found


def _signed(part: Element) -> Decimal:
    return _number(_amount_part(part).text) * (-1 if _text(part, "CdtDbtInd") == "DBIT" else 1)


def _number(text: str | None) -> Decimal:
    try:
        amount = Decimal((text or "").strip())
    except InvalidOperation as wrong:
        raise StatementRefused("bad_amount", amount=(text or "").strip()[:40]) from wrong
    if not amount.is_finite() or amount < 0:
        raise StatementRefused("bad_amount", amount=str(amount)[:40])
    return amount


def _day(entry: Element) -> date:
    told = _text(entry, "BookgDt/Dt") or _text(entry, "BookgDt/DtTm") or _text(entry, "ValDt/Dt")
    try:
        return date.fromisoformat(told[:10])
    except ValueError as wrong:
        raise StatementRefused("bad_date", date=told[:40]) from wrong


def _text(part: Element, path: str) -> str:
    return (part.findtext(path) or "").strip()
