"""The trade's codes in words: lesions, zones, scores, treatments, rechecks, ear tags, cautions.

The pure modules hold codes and plain English; here each code has a sentence that can be translated.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from trimmer import showing
from trimmer.cautions import Caution
from trimmer.models import Business, Recheck, TreatmentKind

type Words = Mapping[str, str | Promise]

BY_HAND: Final = "by_hand"
"""The trigger of a recheck that somebody wrote down."""

SHEETS: Final[Words] = {
    "clients_and_farms": gettext_lazy("Who pays and where the cows are: addresses, head, access hours, contacts."),
    "animals": gettext_lazy("The animals of the farms, with tags and dates."),
    "prices": gettext_lazy("Price lists, agreements with clients, and the taxes they name."),
    "visits_and_records": gettext_lazy("Past visits with each animal seen: lesions found and what was done."),
}
"""Kind of sheet -> what it holds."""

SHEET_TABLES: Final[Words] = {
    "clients": gettext_lazy("Clients"),
    "farms": gettext_lazy("Farms"),
    "contacts": gettext_lazy("Contacts"),
    "animals": gettext_lazy("Animals"),
    "tax_categories": gettext_lazy("Tax categories"),
    "price_lists": gettext_lazy("Price lists"),
    "prices": gettext_lazy("Prices"),
    "visits": gettext_lazy("Visits"),
    "records": gettext_lazy("Records"),
}
"""Table of facts that a sheet fills -> its name."""

LESIONS: Final[Words] = {
    "AC": gettext_lazy("Asymmetric claws"),
    "CD": gettext_lazy("Concave dorsal wall"),
    "CC": gettext_lazy("Corkscrew claw"),
    "DD": gettext_lazy("Digital dermatitis"),
    "ID": gettext_lazy("Interdigital dermatitis"),
    "DS": gettext_lazy("Double sole"),
    "HHE": gettext_lazy("Heel horn erosion"),
    "HFA": gettext_lazy("Axial horn fissure"),
    "HFH": gettext_lazy("Horizontal horn fissure"),
    "HFV": gettext_lazy("Vertical horn fissure"),
    "IH": gettext_lazy("Interdigital hyperplasia"),
    "IP": gettext_lazy("Interdigital phlegmon"),
    "SC": gettext_lazy("Scissor claws"),
    "SHD": gettext_lazy("Sole haemorrhage, diffuse"),
    "SHC": gettext_lazy("Sole haemorrhage, circumscribed"),
    "SW": gettext_lazy("Swelling of coronet or bulb"),
    "TS": gettext_lazy("Thin sole"),
    "SU": gettext_lazy("Sole ulcer"),
    "BU": gettext_lazy("Bulb ulcer"),
    "TU": gettext_lazy("Toe ulcer"),
    "TN": gettext_lazy("Toe necrosis"),
    "WLF": gettext_lazy("White line fissure"),
    "WLA": gettext_lazy("White line abscess"),
}

LESION_GROUPS: Final[Words] = {
    "HF": gettext_lazy("Horn fissure"),
    "SH": gettext_lazy("Sole haemorrhage"),
    "U": gettext_lazy("Ulcer"),
    "WL": gettext_lazy("White line disease"),
}

M_STAGES: Final[Words] = {
    "M0": gettext_lazy("normal skin"),
    "M1": gettext_lazy("early, active, smaller than 2 cm"),
    "M2": gettext_lazy("active ulcer, mostly larger than 2 cm"),
    "M3": gettext_lazy("healing, under a dry scab"),
    "M4": gettext_lazy("chronic, thickened or growing"),
    "M4.1": gettext_lazy("chronic, with a small active spot"),
}

ZONES: Final[Mapping[int, str | Promise]] = {
    0: gettext_lazy("between the claws"),
    1: gettext_lazy("white line, toe"),
    2: gettext_lazy("white line, side"),
    3: gettext_lazy("white line, heel"),
    4: gettext_lazy("sole, back"),
    5: gettext_lazy("sole, toe"),
    6: gettext_lazy("heel"),
    7: gettext_lazy("wall, front"),
    8: gettext_lazy("wall, side"),
    9: gettext_lazy("skin above the claw"),
    10: gettext_lazy("back of the foot"),
    11: gettext_lazy("inner wall, front"),
    12: gettext_lazy("inner wall, back"),
}

SCORES: Final[Mapping[str, Mapping[int, str | Promise]]] = {
    "sprecher_1_5": {
        1: gettext_lazy("normal"),
        2: gettext_lazy("mildly lame"),
        3: gettext_lazy("moderately lame"),
        4: gettext_lazy("lame"),
        5: gettext_lazy("severely lame"),
    },
    "ahdb_0_3": {
        0: gettext_lazy("good"),
        1: gettext_lazy("imperfect"),
        2: gettext_lazy("impaired"),
        3: gettext_lazy("severely impaired"),
    },
}

SCORE_MEANINGS: Final[Mapping[str, Mapping[int, str | Promise]]] = {
    "sprecher_1_5": {
        1: gettext_lazy("Stands and walks with a level back."),
        2: gettext_lazy("Level back when standing, arched when walking; the gait is slightly off."),
        3: gettext_lazy("Arched back standing and walking; short strides."),
        4: gettext_lazy("Arched back; spares one or more legs but still puts weight on them."),
        5: gettext_lazy("Strongly arched, unwilling to move, hardly any weight on a leg."),
    },
    "ahdb_0_3": {
        0: gettext_lazy("Even weight and rhythm on all feet, flat back."),
        1: gettext_lazy("Uneven or short steps; the leg cannot be told."),
        2: gettext_lazy("The lame leg can be told, or the strides are clearly short: lift it soon."),
        3: gettext_lazy("Cannot keep up with the herd, and shows the signs of 2: urgent."),
    },
}
"""What trimmer.locomotion says of each score, to be translated."""

SCALES: Final[Mapping[str, str | Promise]] = {
    "sprecher_1_5": gettext_lazy("1–5"),
    "ahdb_0_3": gettext_lazy("0–3"),
}

TRIGGERS: Final[Words] = {
    "block_wood": gettext_lazy("Block put on (wood, plastic)"),
    "block_flexible": gettext_lazy("Flexible block put on"),
    "wrap": gettext_lazy("Wrap put on"),
    "active_dd": gettext_lazy("Active digital dermatitis treated"),
    "sole_or_bulb_ulcer": gettext_lazy("Sole or bulb ulcer"),
    "white_line_abscess": gettext_lazy("White line abscess"),
    "toe_ulcer": gettext_lazy("Toe ulcer"),
    "vet_case": gettext_lazy("Case for the veterinarian"),
    "lame_after_treatment": gettext_lazy("Severely lame when treated"),
    BY_HAND: gettext_lazy("Written down by hand"),
}

PURPOSES: Final[Words] = {
    "look_at_block": gettext_lazy("Look at the block: still on, cow no worse"),
    "remove_block": gettext_lazy("Take the block off"),
    "look_at_flexible_block": gettext_lazy("See whether the flexible block has come off"),
    "remove_wrap": gettext_lazy("Take the wrap off"),
    "look_at_skin": gettext_lazy("Look at the skin"),
    "look_at_skin_again": gettext_lazy("Look at the skin again"),
    "look_at_lesion_early": gettext_lazy("Look at the lesion early"),
    "look_at_lesion": gettext_lazy("Look at the lesion"),
    "look_after_vet": gettext_lazy("Look again after the veterinarian"),
    "look_at_gait": gettext_lazy("See how she walks and lift the foot if lame"),
}

RECHECK_STATES: Final[Words] = {
    "waiting": gettext_lazy("not yet"),
    "warned": gettext_lazy("soon"),
    "due": gettext_lazy("due"),
    "overdue": gettext_lazy("overdue"),
    "closed": gettext_lazy("closed"),
}

FINDING_PROBLEMS: Final[Mapping[str, tuple[str, str | Promise]]] = {
    "lesion_unknown": ("lesion", gettext_lazy("This lesion code is not known. Choose one of the list.")),
    "lesion_is_a_group": ("lesion", gettext_lazy("This is a group of lesions. Choose one of the group.")),
    "m_stage_unknown": ("m_stage", gettext_lazy("The M-stage is one of M0, M1, M2, M3, M4 and M4.1.")),
    "m_stage_only_for_dd": ("m_stage", gettext_lazy("Only digital dermatitis has an M-stage. Leave it empty.")),
    "foot_unknown": ("foot", gettext_lazy("Say on which foot: LF, RF, LH or RH.")),
    "claw_unknown": ("claw", gettext_lazy("The claw is inner or outer.")),
    "claw_missing": ("claw", gettext_lazy("Say on which claw, inner or outer.")),
    "claw_not_in_this_zone": ("claw", gettext_lazy("Zones 0 and 10 lie between the claws. Leave the claw empty.")),
    "zone_unknown": ("zone", gettext_lazy("The zone is a number from 0 to 12.")),
}
"""Problem -> the value at fault, and what to do."""

SCORE_PROBLEMS: Final[Mapping[str, tuple[str, str | Promise]]] = {
    "scale_unknown": ("scale", gettext_lazy("Say on which scale the score was given.")),
    "score_not_on_scale": ("score", gettext_lazy("This score is not on its scale.")),
}

TAG_PROBLEMS: Final[Words] = {
    "empty": gettext_lazy("Nothing was written."),
    "characters": gettext_lazy("Only letters and digits can stand here."),
    "too_many_digits": gettext_lazy("There are too many digits for an official tag. Read it again."),
    "not_15_digits": gettext_lazy("There must be 15 digits. Read it again."),
    "number_too_big": gettext_lazy("A transponder cannot hold so big a number. Read it again."),
}

TAG_WARNINGS: Final[Words] = {
    "form_unknown": gettext_lazy("It has no form that is known here."),
    "old_form": gettext_lazy("It has letters after the country, as older tags have."),
    "country_unknown": gettext_lazy("Its country is not known here."),
    "uk_length": gettext_lazy("A UK tag has 12 digits after UK."),
    "uk_check_digit": gettext_lazy("Its check digit does not match: one digit may be misread."),
    "no_iso_11784_number": gettext_lazy("The number is too big for a transponder."),
    "test_code": gettext_lazy("It begins with 999, which is for tests."),
}


def lesion_name(code: str) -> str:
    """A lesion by its code, the code itself where it is not known."""
    return str(LESIONS.get(code, code))


def purpose(code: str) -> str:
    """What is to be done at a recheck."""
    return str(PURPOSES.get(code, code))


def to_do(recheck: Recheck) -> str:
    """What is to be done at this recheck, with the feet it is about: "take the block off, RH"."""
    return ", ".join([purpose(recheck.what), *recheck.feet])


def trigger(code: str) -> str:
    """Why an animal is to be seen again."""
    return str(TRIGGERS.get(code, code))


def treatment(code: str) -> str:
    """What was done beyond trimming."""
    return str(dict(TreatmentKind.choices).get(code, code))


def score_with_scale(score: int | None, scale: str) -> str:
    """Such as "3 of 1–5 (moderately lame)"; empty when there is none. A score never stands without its scale."""
    if score is None:
        return ""
    name = SCORES.get(scale, {}).get(score, "")
    words = {"score": score, "scale": SCALES.get(scale, scale), "name": name}
    return _("%(score)s of %(scale)s (%(name)s)") % words if name else _("%(score)s of %(scale)s") % words


def caution_sentence(caution: Caution, business: Business) -> str:
    """What to think of, as a sentence; dates and times as the business reads them. It never says what to give."""
    language = business.language
    until = showing.show_when(caution.until, language, business.time_zone) if caution.until else ""
    match caution.code:
        case "late_pregnancy":
            return _late_pregnancy(caution)
        case "milk_withheld":
            return _("Milk withheld until %(until)s, as entered. Follow the label; ask the veterinarian.") % {
                "until": until
            }
        case "meat_withheld":
            return _("Meat withheld until %(until)s, as entered. Follow the label; ask the veterinarian.") % {
                "until": until
            }
        case "ask_milk_withholding":
            return _(
                "Treated with salicylic acid and no milk withholding was entered. Ask the veterinarian before milk is "
                "sold (reminder until %(until)s); follow the label."
            ) % {"until": until}
        case "call_veterinarian":
            names = ", ".join(lesion_name(code) for code in caution.lesions)
            return _("%(lesions)s: ask the veterinarian today.") % {"lesions": names}
        case "long_lock_up":
            return _(
                "Cows would stand locked up for %(hours)s h, more than the farm's limit of %(limit)s h. Bring them in "
                "smaller groups."
            ) % {
                "hours": showing.show_number(caution.hours or 0, language, 1),
                "limit": showing.show_number(caution.limit or 0, language, 1),
            }
        case "heat_start_early":
            return _("Warm day: start early; shade, fans and water for the cows that wait.")
        case "heat_shorten_waiting":
            return _("Hot day: keep the waiting short.")
        case "heat_postpone":
            return _("Very hot day: leave for another day what is not urgent.")


def _late_pregnancy(caution: Caution) -> str:
    days = caution.days or 0
    if days < 0:
        return ngettext(
            "Was to calve %(days)s day ago. Ask the farm; trim only what cannot wait, and ask the veterinarian.",
            "Was to calve %(days)s days ago. Ask the farm; trim only what cannot wait, and ask the veterinarian.",
            -days,
        ) % {"days": -days}
    return ngettext(
        "Calves in %(days)s day. Trim only what cannot wait; ask the veterinarian.",
        "Calves in %(days)s days. Trim only what cannot wait; ask the veterinarian.",
        days,
    ) % {"days": days}
