"""The reference a payer repeats, and the code a bank's app reads: ISO 11649 and EPC069-12."""

from decimal import Decimal
from io import BytesIO

from segno import helpers
from stdnum import bic as bics
from stdnum import iban as ibans
from stdnum import iso11649
from stdnum.exceptions import ValidationError
from stdnum.iso7064 import mod_97_10

from billing.charges.totals import exact, rounded

LONGEST_NUMBER = 21
"""Characters that ISO 11649 leaves for the number after RF and the two check digits."""

LEAST, MOST = Decimal("0.01"), Decimal("999999999.99")
"""What EPC069-12 lets one code ask for, in EUR."""


class ReferenceRefused(ValueError):
    """A payment reference or code cannot be made from what was given."""


def rf_reference(number: str) -> str:
    """The creditor reference (ISO 11649) of an invoice number, without spaces: 2026-000123 gives RF462026000123.

    Only letters and digits count, so numbers that differ in nothing else share a reference. Raises ReferenceRefused if
    there are none, more than 21, or others than A to Z and 0 to 9.
    """
    kept = "".join(sign for sign in number.upper() if sign.isalnum())
    if not kept.isascii() or not 1 <= len(kept) <= LONGEST_NUMBER:
        raise ReferenceRefused(f"no reference can be made from {number!r}")
    return iso11649.validate(f"RF{mod_97_10.calc_check_digits(kept + 'RF')}{kept}")


def spaced(reference: str) -> str:
    """A reference or IBAN in groups of four, as it is printed."""
    compact = "".join(reference.split())
    return " ".join(compact[place : place + 4] for place in range(0, len(compact), 4))


def payment_code(*, name: str, iban: str, amount: Decimal, reference: str, bic: str = "") -> str:
    """The QR code by which a bank's app fills in a SEPA credit transfer in EUR, as SVG (EPC069-12, version 002).

    `amount` is rounded to the cent, `reference` is an ISO 11649 one. A code for a credit note, nothing due, or another
    currency makes no sense: don't ask for one. Raises ReferenceRefused for check digits that are wrong, an amount
    below 0.01 or above 999 999 999.99, or a name that is empty or longer than 70 characters.
    """
    due = rounded(exact(amount, "amount"))
    if not LEAST <= due <= MOST:
        raise ReferenceRefused(f"{due} cannot be asked for by a payment code")
    try:
        code = helpers.make_epc_qr(
            name=name,
            iban=ibans.validate(iban),
            amount=due,
            reference=iso11649.validate(reference),
            bic=bics.validate(bic) if bic else None,
            encoding="utf-8",
        )
    except (ValidationError, ValueError) as wrong:
        raise ReferenceRefused(str(wrong)) from wrong
    image = BytesIO()
    code.save(image, kind="svg", border=4, xmldecl=False, light="#fff")
    return image.getvalue().decode()
