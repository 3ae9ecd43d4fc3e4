"""An issued document goes to the client by e-mail, with its file."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from http import HTTPStatus

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.models import Invoice, InvoiceKind, InvoiceSending, InvoiceState, Syntax
from billing.services.documents import bytes_of, keep_document
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import User
from trimmer.services.messages import send_message, write_body
from trimmer.showing import show_day, show_money


class NotIssuedYet(Refusal):
    code = "not_issued_yet"
    message = gettext_lazy("Only what is issued can be sent. Issue the draft first.")


class NoAddress(Refusal):
    code = "no_address"
    message = gettext_lazy("There is no e-mail address to send it to. Give one, or add it to the client.")
    status = HTTPStatus.BAD_REQUEST


class AddressRefused(Refusal):
    code = "address_refused"
    message = gettext_lazy("“%(address)s” is no e-mail address. Correct it.")
    status = HTTPStatus.BAD_REQUEST


@transaction.atomic
def send_invoice(
    *, invoice: Invoice, recipients: Iterable[str] | None = None, by: User | None, now: dt.datetime
) -> list[InvoiceSending]:
    """Send an issued document to the given addresses, or to the client's own. Says which sendings it noted.

    Raises NotIssuedYet, NoAddress, AddressRefused.
    """
    if invoice.state != InvoiceState.ISSUED:
        raise NotIssuedYet
    given = [invoice.client.email] if recipients is None else list(recipients)
    addresses = [address.strip() for address in given if address.strip()]
    if not addresses:
        raise NoAddress.at("recipients")
    for address in addresses:
        try:
            validate_email(address)
        except ValidationError:
            raise AddressRefused.at("recipients", address=address) from None
    pdf = bytes_of(keep_document(invoice=invoice, now=now))
    business = invoice.business
    with business_locale(business):
        credit = invoice.kind == InvoiceKind.CREDIT_NOTE
        words = _("Credit note %(number)s of %(business)s") if credit else _("Invoice %(number)s of %(business)s")
        subject = words % {"number": invoice.number, "business": business.name}
    body = write_body(
        business=business,
        template="billing/mail/invoice.txt",
        invoice=invoice,
        credit=credit,
        date=_day(invoice.issued_on, business.language),
        due=_day(invoice.due_on, business.language),
        total=show_money(invoice.gross_total, invoice.currency, business.language),
    )
    messages = send_message(
        business=business,
        client=invoice.client,
        kind="credit_note" if credit else "invoice",
        recipients=addresses,
        subject=subject,
        body=body,
        attachments=[(file_name(invoice), pdf, "application/pdf")],
        now=now,
    )
    return [InvoiceSending.objects.create(invoice=invoice, message=message, sent_by=by) for message in messages]


def _day(day: dt.date | None, language: str) -> str:
    return show_day(day, language, weekday=False) if day else ""


def file_name(invoice: Invoice, syntax: Syntax | None = None) -> str:
    """What a file of a document is called: its number, and nothing that a file system minds."""
    kept = re.sub(r"[^A-Za-z0-9._-]+", "-", invoice.number or f"draft-{invoice.pk}")
    return f"{kept}.pdf" if syntax is None else f"{kept}-{syntax}.xml"
