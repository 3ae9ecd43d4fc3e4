from dataclasses import replace
from datetime import date, timedelta

import pytest

from trimmer.rechecks import (
    BLOCK_KINDS,
    DEFAULT_RULES,
    PURPOSES,
    TRIGGERS,
    DueRecheck,
    FindingFacts,
    RecordFacts,
    Rule,
    ScoreFacts,
    TreatmentFacts,
    closes,
    is_overdue,
    raised_by,
    state,
    triggers_of,
)

pytestmark = pytest.mark.pure

MONDAY = date(2025, 3, 3)
OFF = (TreatmentFacts("block_removed"),)


def record(*codes: str, score: tuple[str, int] | None = None, m_stage: str = "", block: str = "wood") -> RecordFacts:
    """A record of MONDAY: upper case codes are lesions, the others treatments."""
    return RecordFacts(
        on=MONDAY,
        findings=tuple(FindingFacts(code, m_stage if code == "DD" else "") for code in codes if code.isupper()),
        treatments=tuple(
            TreatmentFacts(code, block if code == "block" else "") for code in codes if not code.isupper()
        ),
        score=ScoreFacts(*score) if score else None,
    )


def days(due: DueRecheck) -> tuple[str, str, int, int]:
    return (due.trigger, due.what, (due.due_from - MONDAY).days, (due.due_by - MONDAY).days)


def the(what: str, *codes: str) -> DueRecheck:
    return next(due for due in raised_by(record(*codes)) if due.what == what)


def after(number: int) -> date:
    return MONDAY + timedelta(days=number)


def test_every_trigger_has_a_rule_and_no_rule_is_there_twice() -> None:
    assert {rule.trigger for rule in DEFAULT_RULES} == set(TRIGGERS)
    assert {rule.what for rule in DEFAULT_RULES} == set(PURPOSES)
    assert len({(rule.trigger, rule.what) for rule in DEFAULT_RULES}) == len(DEFAULT_RULES)


def test_every_rule_names_its_source() -> None:
    assert [rule for rule in DEFAULT_RULES if not rule.source] == []


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        (record("block"), [("block_wood", "look_at_block", 5, 11), ("block_wood", "remove_block", 25, 31)]),
        (record("block", block="flexible"), [("block_flexible", "look_at_flexible_block", 14, 20)]),
        (record("wrap"), [("wrap", "remove_wrap", 3, 5)]),
        (
            record("DD", "topical", m_stage="M2"),
            [("active_dd", "look_at_skin", 7, 14), ("active_dd", "look_at_skin_again", 25, 31)],
        ),
        (record("SU"), [("sole_or_bulb_ulcer", "look_at_lesion", 25, 31)]),
        (record("BU"), [("sole_or_bulb_ulcer", "look_at_lesion", 25, 31)]),
        (record("WLA"), [("white_line_abscess", "look_at_lesion", 25, 31)]),
        (record("TU"), [("toe_ulcer", "look_at_lesion_early", 11, 17), ("toe_ulcer", "look_at_lesion", 25, 31)]),
        (record("TN"), [("vet_case", "look_after_vet", 3, 7)]),
        (record("SW"), [("vet_case", "look_after_vet", 3, 7)]),
        (record("IP"), [("vet_case", "look_after_vet", 3, 7)]),
        (record("referral"), [("vet_case", "look_after_vet", 3, 7)]),
        (
            record("loose_horn_removed", score=("ahdb_0_3", 3)),
            [("lame_after_treatment", "look_at_gait", 5, 11)],
        ),
        (
            record("loose_horn_removed", score=("sprecher_1_5", 4)),
            [("lame_after_treatment", "look_at_gait", 5, 11)],
        ),
    ],
)
def test_what_was_done_raises_its_rechecks(facts: RecordFacts, expected: list[tuple[str, str, int, int]]) -> None:
    assert [days(due) for due in raised_by(facts)] == expected


@pytest.mark.parametrize(
    "facts",
    [
        record(),
        record("WLF", "SHC", "HHE", "loose_horn_removed"),
        record("DD", m_stage="M2"),
        record("DD", "topical", m_stage="M3"),
        record("DD", "topical", m_stage="M4"),
        record("DD", "topical", m_stage="M0"),
        record("ID", "topical"),
        record(score=("ahdb_0_3", 3)),
        record("loose_horn_removed", score=("ahdb_0_3", 2)),
        record("loose_horn_removed", score=("sprecher_1_5", 3)),
        record("block_removed", "wrap_removed", score=("ahdb_0_3", 3)),
    ],
)
def test_what_waits_for_the_next_routine_trim_raises_none(facts: RecordFacts) -> None:
    assert raised_by(facts) == ()


@pytest.mark.parametrize("stage", ["M1", "M2", "M4.1", ""])
def test_active_and_unstaged_dermatitis_is_looked_at_again(stage: str) -> None:
    assert "active_dd" in triggers_of(record("DD", "topical", m_stage=stage))


def test_dermatitis_under_a_wrap_is_looked_at_and_the_wrap_comes_off() -> None:
    assert [due.what for due in raised_by(record("DD", "wrap", m_stage="M2"))] == [
        "remove_wrap",
        "look_at_skin",
        "look_at_skin_again",
    ]


@pytest.mark.parametrize("kind", [*sorted(set(BLOCK_KINDS) - {"flexible"}), ""])
def test_a_block_that_stays_on_until_taken_off_follows_the_rules_of_wood(kind: str) -> None:
    assert triggers_of(record("block", block=kind)) == {"block_wood"}


def test_a_wooden_block_is_warned_of_from_day_21() -> None:
    assert the("remove_block", "block").warn_from == after(21)
    assert the("look_at_block", "block").warn_from is None


def test_two_blocks_are_one_look_and_one_removal() -> None:
    facts = replace(record(), treatments=(TreatmentFacts("block", "wood"), TreatmentFacts("block", "plastic")))
    assert [due.what for due in raised_by(facts)] == ["look_at_block", "remove_block"]


def test_a_wooden_and_a_flexible_block_keep_their_own_windows() -> None:
    facts = replace(record(), treatments=(TreatmentFacts("block", "wood"), TreatmentFacts("block", "flexible")))
    assert [due.what for due in raised_by(facts)] == ["look_at_block", "look_at_flexible_block", "remove_block"]


def test_two_ulcers_are_one_look() -> None:
    assert [days(due)[1:] for due in raised_by(record("SU", "BU", "WLA"))] == [("look_at_lesion", 25, 31)]


def test_a_toe_ulcer_beside_a_sole_ulcer_does_not_lose_the_later_look() -> None:
    assert [days(due)[1:] for due in raised_by(record("SU", "TU"))] == [
        ("look_at_lesion_early", 11, 17),
        ("look_at_lesion", 25, 31),
    ]


def test_of_two_rules_with_one_purpose_the_earlier_stands_with_its_reason() -> None:
    rules = (
        Rule("sole_or_bulb_ulcer", "look_at_lesion", 25, 31, 24, "made up"),
        Rule("white_line_abscess", "look_at_lesion", 7, 14, None, "made up"),
    )
    assert [days(due) for due in raised_by(record("SU", "WLA"), rules)] == [
        ("white_line_abscess", "look_at_lesion", 7, 14)
    ]
    assert raised_by(record("SU", "WLA"), rules) == raised_by(record("SU", "WLA"), reversed(rules))


def test_the_rules_of_the_business_stand_in_for_the_defaults() -> None:
    rules = (Rule("wrap", "remove_wrap", 1, 2, None, "made up"),)
    assert [days(due) for due in raised_by(record("wrap", "block", "SU"), rules)] == [("wrap", "remove_wrap", 1, 2)]
    assert raised_by(record("wrap"), ()) == ()


@pytest.mark.parametrize(
    "change",
    [
        {"trigger": "bad_weather"},
        {"what": "have_a_coffee"},
        {"from_days": 6},
        {"from_days": -1},
        {"warn_days": 6},
        {"warn_days": -1},
    ],
)
def test_a_rule_that_makes_no_sense_cannot_exist(change: dict[str, str | int]) -> None:
    good = Rule("wrap", "remove_wrap", 3, 5, 4, "made up")
    with pytest.raises(ValueError, match=r"unknown|needed"):
        replace(good, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize(("code", "kind"), [("surgery", ""), ("wrap", "wood"), ("block", "stone")])
def test_a_treatment_that_is_not_in_the_list_cannot_exist(code: str, kind: str) -> None:
    with pytest.raises(ValueError, match=r"treatment|block kind"):
        TreatmentFacts(code, kind)


def test_a_score_off_its_scale_cannot_exist() -> None:
    with pytest.raises(ValueError, match="score_not_on_scale"):
        ScoreFacts("ahdb_0_3", 5)


def test_a_recheck_is_overdue_from_the_day_after_its_last() -> None:
    assert not is_overdue(MONDAY, MONDAY)
    assert is_overdue(MONDAY, after(1))


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        (1, "waiting"),
        (20, "waiting"),
        (21, "warned"),
        (24, "warned"),
        (25, "due"),
        (31, "due"),
        (32, "overdue"),
    ],
)
def test_the_removal_of_a_block_is_warned_of_then_due_then_overdue(day: int, expected: str) -> None:
    removal = the("remove_block", "block")
    assert state(removal.due_from, removal.due_by, after(day), warn_from=removal.warn_from) == expected


def test_without_a_warning_day_a_recheck_waits_until_its_window_opens() -> None:
    assert state(after(5), after(11), after(4)) == "waiting"
    assert state(after(5), after(11), after(5)) == "due"


def test_a_warning_day_inside_the_window_marks_its_last_part() -> None:
    assert [state(after(5), after(11), after(day), warn_from=after(9)) for day in (4, 5, 9, 12)] == [
        "waiting",
        "due",
        "warned",
        "overdue",
    ]


@pytest.mark.parametrize("what", ["look_at_block", "remove_block"])
def test_neither_the_record_that_raised_it_nor_an_older_one_closes_a_recheck(what: str) -> None:
    due = the(what, "block")
    assert not closes(due, MONDAY, OFF)
    assert not closes(due, after(-30), OFF)


@pytest.mark.parametrize(
    ("what", "codes", "day", "expected"),
    [
        ("look_at_block", ("block",), 2, False),
        ("look_at_block", ("block",), 3, True),
        ("look_at_block", ("block",), 11, True),
        ("look_at_block", ("block",), 90, True),
        ("look_at_lesion", ("SU",), 7, False),
        ("look_at_lesion", ("SU",), 22, False),
        ("look_at_lesion", ("SU",), 23, True),
        ("look_after_vet", ("IP",), 1, True),
        ("remove_block", ("block",), 7, False),
        ("remove_block", ("block",), 24, False),
        ("remove_block", ("block",), 25, True),
        ("remove_block", ("block",), 60, True),
        ("remove_wrap", ("wrap",), 2, False),
        ("remove_wrap", ("wrap",), 3, True),
    ],
)
def test_a_later_record_settles_what_its_day_allows(
    what: str, codes: tuple[str, ...], day: int, expected: bool
) -> None:
    assert closes(the(what, *codes), after(day)) is expected


def test_what_was_taken_off_early_needs_no_removal_and_no_look() -> None:
    assert closes(the("remove_block", "block"), after(1), OFF)
    assert closes(the("look_at_block", "block"), after(1), OFF)
    assert closes(the("remove_wrap", "wrap"), after(1), (TreatmentFacts("wrap_removed"),))


def test_taking_off_one_thing_settles_nothing_else() -> None:
    assert not closes(the("remove_block", "block"), after(1), (TreatmentFacts("wrap_removed"),))
    assert not closes(the("remove_wrap", "wrap"), after(1), OFF)
    assert not closes(the("look_at_lesion", "SU"), after(1), (*OFF, TreatmentFacts("wrap_removed")))


def test_a_recheck_written_down_by_hand_is_settled_by_its_window_alone() -> None:
    by_hand = replace(the("look_at_lesion", "SU"), raised_on=None, due_from=MONDAY, due_by=MONDAY)
    assert closes(by_hand, MONDAY)
    assert not closes(by_hand, after(-3))


def blocked(*feet: str) -> DueRecheck:
    treatments = tuple(TreatmentFacts("block", "wood", foot) for foot in feet)
    raised = raised_by(RecordFacts(on=MONDAY, treatments=treatments))
    return next(due for due in raised if due.what == "remove_block")


def test_a_recheck_names_its_feet_in_order() -> None:
    assert blocked("RH", "LF").feet == ("LF", "RH")


def test_taking_one_block_off_leaves_the_other_to_be_taken_off() -> None:
    due = blocked("RH", "LH")
    assert not closes(due, after(5), (TreatmentFacts("block_removed", foot="RH"),))
    assert not closes(due, after(5), (TreatmentFacts("block_removed", foot="LF"),))
    assert closes(due, after(5), tuple(TreatmentFacts("block_removed", foot=foot) for foot in ("RH", "LH")))
    assert closes(due, after(5), OFF)
