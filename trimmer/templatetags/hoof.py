"""Tags that say what was found on a foot, what was done, and what is to be done, in words."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import template
from django.utils.translation import gettext as _

from trimmer import wording
from trimmer.cautions import Caution
from trimmer.lesions import FEET
from trimmer.models import Finding, Recheck, Treatment
from trimmer.templatetags.show import business_of

register = template.Library()


@register.filter
def finding_words(finding: Finding) -> str:
    """Such as "LH outer: Sole ulcer, zone 4"."""
    place = " ".join(filter(None, [finding.foot, _short_claw(finding.claw)]))
    what = " ".join(filter(None, [wording.lesion_name(finding.lesion), finding.m_stage]))
    zone = "" if finding.zone is None else _("zone %(zone)s") % {"zone": finding.zone}
    return f"{place}: " + ", ".join(filter(None, [what, zone, finding.note]))


@register.filter
def treatment_words(treatment: Treatment) -> str:
    """Such as "Block (wood), LH inner"."""
    what = str(treatment.get_kind_display())
    if treatment.block_kind:
        what = f"{what} ({treatment.get_block_kind_display()})"
    product = treatment.product
    if product and treatment.batch:
        product = _("%(product)s, batch %(batch)s") % {"product": product, "batch": treatment.batch}
    place = " ".join(filter(None, [treatment.foot, _short_claw(treatment.claw)]))
    return ", ".join(filter(None, [what, product, place, treatment.note]))


@register.filter
def feet_words(feet: Iterable[str]) -> str:
    """The feet that were trimmed."""
    feet = list(feet)
    return _("all four") if set(feet) >= set(FEET) else ", ".join(feet)


@register.filter
def score_words(thing: Any) -> str:
    """The locomotion score of a record (or of a lame animal) with its scale."""
    return wording.score_with_scale(thing.score, thing.scale)


@register.filter
def to_do(recheck: Recheck) -> str:
    """What is to be done at this recheck, and on which feet."""
    return wording.to_do(recheck)


@register.filter
def purpose(code: str) -> str:
    """What is to be done at a recheck."""
    return wording.purpose(code)


@register.filter
def trigger(code: str) -> str:
    """Why an animal is to be seen again."""
    return wording.trigger(code)


@register.filter
def recheck_state(state: str) -> str:
    """Where a recheck stands."""
    return str(wording.RECHECK_STATES.get(state, state))


@register.filter
def recheck_tone(state: str) -> str:
    """How a recheck's state is coloured."""
    return {"overdue": "bad", "due": "warn", "warned": "info", "closed": "good"}.get(state, "quiet")


@register.simple_tag(takes_context=True)
def caution(context: template.Context, what: Caution) -> str:
    """A caution as a sentence, on the business's clock."""
    return wording.caution_sentence(what, business_of(context))


def _short_claw(claw: str) -> str:
    return {"inner": _("inner"), "outer": _("outer")}.get(claw, "")
