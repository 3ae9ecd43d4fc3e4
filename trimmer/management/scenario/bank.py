"""The bank's side of the story: a statement in which some of what is open has come, as payers write it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from xml.sax.saxutils import escape

from billing.models import Invoice
from billing.queries.balances import unsettled
from trimmer.management.scenario.founding import Ground

OPENING = Decimal("4180.55")
CHARGES = Decimal("-11.40")


@dataclass(frozen=True)
class Told:
    """One line as the bank tells it."""

    amount: Decimal
    payer: str
    reference: str = ""
    text: str = ""


def lines_of(invoices: Sequence[Invoice], open_amounts: Sequence[Decimal]) -> list[Told]:
    """What payers made of these open invoices, in turn: the reference as printed, only the number, only their name,
    half of it, and the reference with spaces; then the bank's charges."""
    told = []
    for place, (invoice, amount) in enumerate(zip(invoices, open_amounts, strict=True)):
        payer = invoice.client.name
        match place % 5:
            case 0:
                told.append(Told(amount, payer, reference=invoice.reference))
            case 1:
                told.append(Told(amount, payer, text=f"Trimming, inv. {invoice.number}"))
            case 2:
                told.append(Told(amount, payer.upper(), text="With thanks"))
            case 3:
                half = (amount / 2).quantize(Decimal("0.01"))
                told.append(Told(half, payer, reference=invoice.reference, text="Half now, half next month"))
            case _:
                spaced = " ".join(invoice.reference[start : start + 4] for start in range(0, 25, 4)).strip()
                told.append(Told(amount, payer, text=f"{spaced} hooves"))
    return [*told, Told(CHARGES, "", text="Charges for the quarter")]


def camt053(*, account: str, currency: str, day: dt.date, lines: Sequence[Told]) -> bytes:
    """The statement as ISO 20022 camt.053.001.08."""
    closing = OPENING + sum((line.amount for line in lines), Decimal(0))
    entries = "".join(_entry(line, currency, day, number) for number, line in enumerate(lines, start=1))
    balances = "".join(
        f"<Bal><Tp><CdOrPrtry><Cd>{code}</Cd></CdOrPrtry></Tp>{_amount(amount, currency)}<Dt><Dt>{day}</Dt></Dt></Bal>"
        for code, amount in (("OPBD", OPENING), ("CLBD", closing))
    )
    made = f"{day}T05:30:00"
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<Document xmlns="urn:iso:std:iso:20022:tech:xsd:camt.053.001.08"><BkToCstmrStmt>'
        f"<GrpHdr><MsgId>VALLEY-{day}</MsgId><CreDtTm>{made}</CreDtTm></GrpHdr>"
        f"<Stmt><Id>VALLEY-{day}-1</Id><ElctrncSeqNb>1</ElctrncSeqNb><CreDtTm>{made}</CreDtTm>"
        f"<Acct><Id><IBAN>{account}</IBAN></Id><Ccy>{currency}</Ccy></Acct>{balances}{entries}</Stmt>"
        "</BkToCstmrStmt></Document>\n"
    ).encode()


def _amount(amount: Decimal, currency: str) -> str:
    side = "DBIT" if amount < 0 else "CRDT"
    return f'<Amt Ccy="{currency}">{abs(amount):.2f}</Amt><CdtDbtInd>{side}</CdtDbtInd>'


def _entry(line: Told, currency: str, day: dt.date, number: int) -> str:
    structured = f"<Strd><CdtrRefInf><Ref>{line.reference}</Ref></CdtrRefInf></Strd>" if line.reference else ""
    plain = f"<Ustrd>{escape(line.text)}</Ustrd>" if line.text else ""
    party = f"<RltdPties><Dbtr><Pty><Nm>{escape(line.payer)}</Nm></Pty></Dbtr></RltdPties>" if line.payer else ""
    return (
        f"<Ntry>{_amount(line.amount, currency)}<Sts><Cd>BOOK</Cd></Sts><BookgDt><Dt>{day}</Dt></BookgDt>"
        f"<AcctSvcrRef>VALLEY{day:%Y%m%d}{number:03}</AcctSvcrRef><NtryDtls><TxDtls>{party}"
        f"<RmtInf>{plain}{structured}</RmtInf></TxDtls></NtryDtls></Ntry>"
    )


def write_statement(ground: Ground, folder: Path, most: int = 10) -> tuple[Path, int]:
    """Put a statement for the business's open invoices into `folder`; says where, and how many lines it has."""
    business = ground.business
    rows = list(unsettled(Invoice.objects.of(business), ground.today).select_related("client")[:most])
    lines = lines_of(rows, [Decimal(row.open_amount) for row in rows])
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "statement.xml"
    account = "".join(business.iban.split())
    file.write_bytes(camt053(account=account, currency=business.currency, day=ground.today, lines=lines))
    return file, len(lines)
