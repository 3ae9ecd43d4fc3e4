"""Tags about bills: how a document stands, what a unit and a tax are called."""

from __future__ import annotations

from decimal import Decimal

from django import template
from django.template import Context
from django.utils.safestring import SafeString

from billing.charges.ageing import Age
from billing.queries.balances import AGE_NAMES, Standing
from billing.services import documents
from trimmer import showing
from trimmer.templatetags.show import TONES, badge, business_of

register = template.Library()


@register.simple_tag
def standing_badge(standing: str) -> SafeString:
    """{% standing_badge invoice.standing %}: how a document stands, in words and coloured."""
    return badge(Standing(standing).label, TONES.get(str(standing), "quiet"))


@register.filter
def unit_name(code: str) -> str:
    """{{ line.unit|unit_name }}: a unit in words; nothing where a count says it all."""
    return documents.unit_name(code)


@register.simple_tag(takes_context=True)
def tax_label(context: Context, name: str, rate: Decimal) -> str:
    """{% tax_label tax.name tax.rate %}: what a tax is called, with its rate unless its name says it."""
    return documents.tax_label(name, rate, business_of(context).language)


@register.simple_tag(takes_context=True)
def price(context: Context, amount: Decimal, currency: str = "") -> str:
    """{% price line.price invoice.currency %}: a price, with more decimals than the currency where it has them."""
    business = business_of(context)
    return documents.price_text(amount, currency or business.currency, business.language)


@register.simple_tag(takes_context=True)
def quantity(context: Context, value: Decimal) -> str:
    """{% quantity line.quantity %}: a count without the zeros that storing adds."""
    return showing.show_number(value.normalize(), business_of(context).language)


@register.filter
def owed_at(by_age: dict[Age, Decimal], age: Age) -> Decimal:
    """{{ ageing.by_age|owed_at:age }}: what is owed of an age."""
    return by_age[age]


@register.filter
def age_name(age: Age) -> str:
    """{{ age|age_name }}: an age in words."""
    return str(AGE_NAMES[age])
