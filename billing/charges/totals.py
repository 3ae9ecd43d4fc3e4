"""From lines to what is due: the arithmetic of EN 16931-1:2017+A1:2019 in Decimal.

BT numbers are the standard's terms, BR numbers its rules. The standard says "rounded to two decimals" and no more; the
validation examples published with it (CEN/TC 434, release 1.3.16) settle the half: -625743.54 at 25 % is written
-156435.89, so a half goes away from zero.

Worked by hand, 63 head at 14.50, 5 blocks at 8.00, 4 wraps at 17.25, set-up 60.00, 27.4 km at 0.85, 0.75 h at 48.00,
3 % off, tax 19 %::

    913.50 + 40.00 + 69.00 + 60.00 + 23.29 + 36.00   BT-106  1141.79
    3 % of 1141.79 = 34.2537                         BT-107    34.25
    1141.79 - 34.25                                  BT-109  1107.54
    19 % of 1107.54 = 210.4326                       BT-110   210.43
    1107.54 + 210.43                                 BT-112  1317.97
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Context, Decimal, localcontext
from enum import StrEnum

type Key = tuple[TaxCategory, Decimal]

WIDE = Context(prec=60, rounding=ROUND_HALF_UP)
"""Wide enough that a product or quotient is never rounded before `rounded` does it."""

ZERO = Decimal(0)


class TaxCategory(StrEnum):
    """UNCL5305 codes that EN 16931 allows (BT-151); which one applies is the user's and the accountant's to say."""

    STANDARD = "S"
    ZERO_RATED = "Z"
    EXEMPT = "E"
    REVERSE_CHARGE = "AE"
    INTRA_COMMUNITY = "K"
    EXPORT = "G"
    OUTSIDE_SCOPE = "O"
    SPLIT_PAYMENT = "B"


TAXED = frozenset({TaxCategory.STANDARD, TaxCategory.SPLIT_PAYMENT})
"""Categories whose rate is above zero (BR-S-05); the others are at zero, which stands for the missing rate of O too."""

NEEDS_REASON = frozenset(
    {
        TaxCategory.EXEMPT,
        TaxCategory.REVERSE_CHARGE,
        TaxCategory.INTRA_COMMUNITY,
        TaxCategory.EXPORT,
        TaxCategory.OUTSIDE_SCOPE,
    }
)
"""Categories whose breakdown must say why no tax is charged (BR-E-10, BR-AE-10, BR-IC-10, BR-G-10, BR-O-10)."""


def exact(value: Decimal | int, what: str = "value") -> Decimal:
    """The value as a Decimal. Raises TypeError for anything but Decimal and int, ValueError if it is not finite."""
    if isinstance(value, bool) or not isinstance(value, Decimal | int):
        raise TypeError(f"{what} must be a Decimal, not {type(value).__name__}")
    amount = Decimal(value)
    if not amount.is_finite():
        raise ValueError(f"{what} must be a finite number")
    return amount


def rounded(amount: Decimal | int, places: int = 2) -> Decimal:
    """The one rounding of money: to `places` decimals, a half away from zero; never minus zero."""
    with localcontext(WIDE):
        return exact(amount, "amount").quantize(Decimal(1).scaleb(-places)) + 0


def part_of(amount: Decimal, percent: Decimal, places: int = 2) -> Decimal:
    """`percent` of an amount, rounded: an allowance given in per cent (BT-93, BT-94), or a tax (BR-CO-17)."""
    with localcontext(WIDE):
        return rounded(exact(amount, "amount") * exact(percent, "percent") / 100, places)


def _summed(amounts: Iterable[Decimal]) -> Decimal:
    with localcontext(WIDE):
        return sum(amounts, ZERO)


def _checked_tax(category: str, rate: Decimal) -> tuple[TaxCategory, Decimal]:
    code, percent = TaxCategory(category), exact(rate, "rate")
    if (percent > 0) is not (code in TAXED) or percent < 0:
        raise ValueError(f"rate {percent} does not go with tax category {code}")
    return code, percent


@dataclass(frozen=True, slots=True)
class Line:
    """One invoice line (BG-25). Allowances and charges are amounts already rounded (BT-136, BT-141).

    A correction has a negative quantity, never a negative price (BR-27).
    """

    quantity: Decimal
    price: Decimal
    base_quantity: Decimal = Decimal(1)
    allowances: tuple[Decimal, ...] = ()
    charges: tuple[Decimal, ...] = ()
    category: str = field(kw_only=True)
    rate: Decimal = field(kw_only=True)

    def __post_init__(self) -> None:
        category, rate = _checked_tax(self.category, self.rate)
        object.__setattr__(self, "category", category)
        object.__setattr__(self, "rate", rate)
        for name in ("quantity", "price", "base_quantity"):
            object.__setattr__(self, name, exact(getattr(self, name), name))
        for name in ("allowances", "charges"):
            object.__setattr__(self, name, tuple(exact(amount, name) for amount in getattr(self, name)))
        if self.price < 0:
            raise ValueError("price must not be negative")
        if self.base_quantity <= 0:
            raise ValueError("base quantity must be above zero")

    def net(self, places: int = 2) -> Decimal:
        """BT-131: the product is rounded by itself, then the allowances and charges come to it."""
        with localcontext(WIDE):
            product = rounded(self.quantity * self.price / self.base_quantity, places)
            return product + sum(self.charges, ZERO) - sum(self.allowances, ZERO)


@dataclass(frozen=True, slots=True)
class Adjustment:
    """An allowance (BG-20) or charge (BG-21) on the whole document, in one tax category and rate."""

    amount: Decimal
    is_charge: bool
    category: str
    rate: Decimal
    reason: str = ""

    def __post_init__(self) -> None:
        category, rate = _checked_tax(self.category, self.rate)
        object.__setattr__(self, "category", category)
        object.__setattr__(self, "rate", rate)
        object.__setattr__(self, "amount", exact(self.amount, "amount"))

    @property
    def signed(self) -> Decimal:
        """What it adds to the net total."""
        return self.amount if self.is_charge else -self.amount


@dataclass(frozen=True, slots=True)
class TaxGroup:
    """One row of the tax breakdown (BG-23): base BT-116, tax BT-117."""

    category: str
    rate: Decimal
    base: Decimal
    tax: Decimal

    def __post_init__(self) -> None:
        category, rate = _checked_tax(self.category, self.rate)
        object.__setattr__(self, "category", category)
        object.__setattr__(self, "rate", rate)
        object.__setattr__(self, "base", exact(self.base, "base"))
        object.__setattr__(self, "tax", exact(self.tax, "tax"))
        if self.tax and category not in TAXED:
            raise ValueError(f"tax category {category} carries no tax")

    @property
    def key(self) -> Key:
        """Category and rate: what makes a group one."""
        return TaxCategory(self.category), self.rate


@dataclass(frozen=True, slots=True)
class Totals:
    """The totals of one document (BG-22) with what they were made of. Cannot exist unless it adds up."""

    line_net_total: Decimal
    """BT-106"""
    allowance_total: Decimal
    """BT-107"""
    charge_total: Decimal
    """BT-108"""
    net_total: Decimal
    """BT-109"""
    tax_total: Decimal
    """BT-110"""
    gross_total: Decimal
    """BT-112"""
    paid: Decimal
    """BT-113"""
    rounding: Decimal
    """BT-114"""
    due: Decimal
    """BT-115"""
    tax_groups: tuple[TaxGroup, ...]
    """BG-23, by category and falling rate"""
    line_nets: tuple[Decimal, ...]
    """BT-131 in the order of the lines"""

    def __post_init__(self) -> None:
        sums = {
            "BR-CO-10": self.line_net_total == _summed(self.line_nets),
            "BR-CO-13": self.net_total == _summed((self.line_net_total, -self.allowance_total, self.charge_total)),
            "BR-CO-14": self.tax_total == _summed(group.tax for group in self.tax_groups),
            "BR-CO-15": self.gross_total == _summed((self.net_total, self.tax_total)),
            "BR-CO-16": self.due == _summed((self.gross_total, -self.paid, self.rounding)),
            "bases": self.net_total == _summed(group.base for group in self.tax_groups),
            "groups": len({group.key for group in self.tax_groups}) == len(self.tax_groups),
        }
        wrong = [rule for rule, holds in sums.items() if not holds]
        if wrong:
            raise ValueError(f"totals do not add up: {', '.join(wrong)}")


def compute_totals(
    lines: Sequence[Line],
    adjustments: Sequence[Adjustment] = (),
    *,
    paid: Decimal = ZERO,
    rounding: Decimal = ZERO,
    places: int = 2,
    taxes: Mapping[Key, Decimal] | None = None,
) -> Totals:
    """Totals of an invoice. Tax is rounded once per category and rate, never per line (BR-CO-17).

    `taxes` holds the tax of each category and rate where it was worked out elsewhere (`sales_tax`). `paid` is what was
    paid before (BT-113), `rounding` what is added to come to a round sum (BT-114). `places` are the decimals of the
    currency; EN 16931 itself knows no more than two.

    Raises ValueError if an amount that is not computed here has more decimals than `places`, or if `taxes` are not
    those of the groups.
    """
    bases = _bases(lines, adjustments, places)
    if taxes is not None and taxes.keys() != bases.keys():
        raise ValueError("the taxes that were worked out are not those of the groups")
    groups = [
        TaxGroup(*key, base, part_of(base, key[1], places) if taxes is None else _has_places(taxes[key], places))
        for key, base in bases.items()
    ]
    return _totals(lines, adjustments, groups, paid, rounding, places)


class CreditTooLarge(ValueError):
    """A credit is more than what is left of the invoice in one tax category and rate."""

    def __init__(self, category: str, rate: Decimal, remaining: Decimal) -> None:
        super().__init__(f"only {remaining} is left to credit at {category} {rate}")
        self.category = category
        self.rate = rate
        self.remaining = remaining


def credit_totals(
    lines: Sequence[Line],
    adjustments: Sequence[Adjustment] = (),
    *,
    invoiced: Sequence[TaxGroup],
    earlier: Iterable[TaxGroup] = (),
    places: int = 2,
) -> Totals:
    """Totals of a credit note, with the signs of the invoice it credits (a 381 states positive amounts).

    `invoiced` are the invoice's groups, `earlier` the groups of all its former credit notes. Raises CreditTooLarge.
    """
    taken = tuple(earlier)
    standing = {group.key: group for group in invoiced}
    groups = []
    for (category, rate), base in _bases(lines, adjustments, places).items():
        group = standing.get((category, rate), TaxGroup(category, rate, ZERO, ZERO))
        groups.append(credited(group, base, [one for one in taken if one.key == group.key], places))
    return _totals(lines, adjustments, groups, ZERO, ZERO, places)


def credited(group: TaxGroup, base: Decimal, earlier: Iterable[TaxGroup] = (), places: int = 2) -> TaxGroup:
    """The part of an invoice's tax group that a credit of `base` takes back.

    The tax is the rounded one while something is left; the credit that takes the last of the base takes the last of the
    tax, so all credits together are the invoice to the cent. No credit takes more tax than is left.

    Raises CreditTooLarge if `base` is more than is left, or of the other sign.
    """
    former = tuple(earlier)
    left = _summed((group.base, *(-one.base for one in former)))
    left_tax = _summed((group.tax, *(-one.tax for one in former)))
    if base * left < 0 or abs(base) > abs(left):
        raise CreditTooLarge(group.category, group.rate, left)
    tax = part_of(base, group.rate, places)
    if base == left or abs(tax) > abs(left_tax) or tax * left_tax < 0:
        tax = left_tax
    return TaxGroup(group.category, group.rate, base, tax)


def _bases(lines: Sequence[Line], adjustments: Sequence[Adjustment], places: int) -> dict[Key, Decimal]:
    """BT-116 per category and rate, in the order in which the breakdown lists them."""
    found: dict[Key, list[Decimal]] = {}
    for line in lines:
        for amount in (*line.allowances, *line.charges):
            _has_places(amount, places)
        found.setdefault((TaxCategory(line.category), line.rate), []).append(line.net(places))
    for adjustment in adjustments:
        _has_places(adjustment.amount, places)
        found.setdefault((TaxCategory(adjustment.category), adjustment.rate), []).append(adjustment.signed)
    order = list(TaxCategory)
    return {
        key: rounded(_summed(found[key]), places) for key in sorted(found, key=lambda k: (order.index(k[0]), -k[1]))
    }


def _totals(
    lines: Sequence[Line],
    adjustments: Sequence[Adjustment],
    groups: Sequence[TaxGroup],
    paid: Decimal,
    rounding: Decimal,
    places: int,
) -> Totals:
    nets = tuple(rounded(line.net(places), places) for line in lines)
    line_net_total = _summed(nets)
    allowance_total = _summed(one.amount for one in adjustments if not one.is_charge)
    charge_total = _summed(one.amount for one in adjustments if one.is_charge)
    net_total = _summed((line_net_total, -allowance_total, charge_total))
    tax_total = _summed(group.tax for group in groups)
    gross_total = _summed((net_total, tax_total))
    due = _summed((gross_total, -_has_places(paid, places), _has_places(rounding, places)))
    return Totals(
        line_net_total=rounded(line_net_total, places),
        allowance_total=rounded(allowance_total, places),
        charge_total=rounded(charge_total, places),
        net_total=rounded(net_total, places),
        tax_total=rounded(tax_total, places),
        gross_total=rounded(gross_total, places),
        paid=rounded(paid, places),
        rounding=rounded(rounding, places),
        due=rounded(due, places),
        tax_groups=tuple(groups),
        line_nets=nets,
    )


def _has_places(amount: Decimal, places: int) -> Decimal:
    if exact(amount, "amount") != rounded(amount, places):
        raise ValueError(f"{amount} has more than {places} decimals")
    return amount


class TaxProblem(StrEnum):
    """What is wrong with the tax data of a document, with the rule of EN 16931 it breaks."""

    UNKNOWN_CATEGORY = "unknown_category"
    """BR-CL-17, BR-CL-18"""
    RATE_MISSING = "rate_missing"
    """BR-S-05"""
    RATE_NOT_ZERO = "rate_not_zero"
    """BR-Z-05, BR-E-05, BR-AE-05, BR-IC-05, BR-G-05, BR-O-05"""
    REASON_MISSING = "reason_missing"
    """BR-E-10, BR-AE-10, BR-IC-10, BR-G-10, BR-O-10"""
    REASON_NOT_ALLOWED = "reason_not_allowed"
    """BR-S-10, BR-Z-10"""
    OUTSIDE_SCOPE_MIXED = "outside_scope_mixed"
    """BR-O-11 to BR-O-14"""
    SPLIT_PAYMENT_MIXED = "split_payment_mixed"
    """BR-B-02"""
    SELLER_TAX_ID_MISSING = "seller_tax_id_missing"
    """BR-S-02, BR-Z-02, BR-E-02 (VAT id or tax number); BR-AE-02, BR-IC-02, BR-G-02"""
    SELLER_VAT_ID_NOT_ALLOWED = "seller_vat_id_not_allowed"
    """BR-O-02"""
    BUYER_VAT_ID_MISSING = "buyer_vat_id_missing"
    """BR-AE-02, BR-IC-02"""


@dataclass(frozen=True, slots=True)
class TaxUse:
    """A category and rate as somebody typed them, with the reason of exemption (BT-120) if any, unchecked."""

    category: str
    rate: Decimal
    reason: str = ""


def check_tax_rules(
    uses: Iterable[TaxUse], *, seller_vat_id: str = "", seller_tax_number: str = "", buyer_vat_id: str = ""
) -> tuple[TaxProblem, ...]:
    """Which rules of EN 16931 the tax data of one document break: each once, in the order of `TaxProblem`.

    It reads form only. Whether a category is the right one for the work is a question for the user's accountant.
    """
    problems: set[TaxProblem] = set()
    known: set[TaxCategory] = set()
    for use in uses:
        if use.category not in TaxCategory:
            problems.add(TaxProblem.UNKNOWN_CATEGORY)
            continue
        category = TaxCategory(use.category)
        known.add(category)
        if category in TAXED and use.rate <= 0:
            problems.add(TaxProblem.RATE_MISSING)
        if category not in TAXED and use.rate:
            problems.add(TaxProblem.RATE_NOT_ZERO)
        if category in NEEDS_REASON and not use.reason.strip():
            problems.add(TaxProblem.REASON_MISSING)
        if category in {TaxCategory.STANDARD, TaxCategory.ZERO_RATED} and use.reason.strip():
            problems.add(TaxProblem.REASON_NOT_ALLOWED)
    problems |= _party_problems(known, seller_vat_id, seller_tax_number, buyer_vat_id)
    if TaxCategory.OUTSIDE_SCOPE in known and len(known) > 1:
        problems.add(TaxProblem.OUTSIDE_SCOPE_MIXED)
    if {TaxCategory.STANDARD, TaxCategory.SPLIT_PAYMENT} <= known:
        problems.add(TaxProblem.SPLIT_PAYMENT_MIXED)
    return tuple(problem for problem in TaxProblem if problem in problems)


def _party_problems(
    known: set[TaxCategory], seller_vat_id: str, seller_tax_number: str, buyer_vat_id: str
) -> set[TaxProblem]:
    problems: set[TaxProblem] = set()
    number_suffices = {TaxCategory.STANDARD, TaxCategory.ZERO_RATED, TaxCategory.EXEMPT, TaxCategory.REVERSE_CHARGE}
    vat_id_only = {TaxCategory.INTRA_COMMUNITY, TaxCategory.EXPORT}
    if known & vat_id_only and not seller_vat_id:
        problems.add(TaxProblem.SELLER_TAX_ID_MISSING)
    if known & number_suffices and not (seller_vat_id or seller_tax_number):
        problems.add(TaxProblem.SELLER_TAX_ID_MISSING)
    if TaxCategory.OUTSIDE_SCOPE in known and seller_vat_id:
        problems.add(TaxProblem.SELLER_VAT_ID_NOT_ALLOWED)
    if known & {TaxCategory.REVERSE_CHARGE, TaxCategory.INTRA_COMMUNITY} and not buyer_vat_id:
        problems.add(TaxProblem.BUYER_VAT_ID_MISSING)
    return problems
