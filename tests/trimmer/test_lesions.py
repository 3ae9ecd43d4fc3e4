import pytest

from trimmer import lesions
from trimmer.lesions import LESIONS, M_STAGES, ZONES, Lesion, Zone, check_finding

pytestmark = pytest.mark.pure


def test_the_table_is_keyed_by_its_own_codes_and_names_each_once() -> None:
    assert all(code == lesion.code for code, lesion in LESIONS.items())
    assert len({lesion.name for lesion in LESIONS.values()}) == len(LESIONS) == 23


def test_every_row_has_a_meaning_and_a_source() -> None:
    rows: list[Lesion | Zone] = [*LESIONS.values(), *ZONES.values()]
    assert [row for row in rows if not (row.name and row.meaning and row.source)] == []


def test_a_group_is_a_group_because_several_lesions_belong_to_it() -> None:
    for group in lesions.GROUPS:
        assert sum(lesion.group == group for lesion in LESIONS.values()) >= 2
        assert group not in LESIONS


def test_usual_zones_lie_on_the_map() -> None:
    assert list(ZONES) == list(range(13))
    assert all(zone in ZONES for lesion in LESIONS.values() for zone in lesion.usual_zones)


def test_only_digital_dermatitis_has_stages() -> None:
    assert [code for code, lesion in LESIONS.items() if lesion.has_m_stage] == ["DD"]
    assert set(lesions.M_STAGE_MEANINGS) == set(M_STAGES)


@pytest.mark.parametrize(
    ("written", "code"),
    [
        ("AF", "HFA"),
        ("vf", "HFV"),
        ("CSC", "CC"),
        (" su ", "SU"),
        ("hhe", "HHE"),
        ("W", "W"),
        ("wl a", "WLA"),
    ],
)
def test_what_people_write_becomes_a_code(written: str, code: str) -> None:
    assert lesions.lesion_code(written) == code


@pytest.mark.parametrize(
    ("code", "m_stage", "foot", "claw", "zone"),
    [
        ("SU", None, "LH", "outer", 4),
        ("SU", "", "LH", "outer", None),
        ("DD", "M2", "RH", "", 10),
        ("DD", "M4.1", "RH", "inner", 9),
        ("DD", None, "RH", None, None),
        ("IH", None, "LF", None, 0),
        ("IP", None, "RF", None, None),
        ("AC", None, "RF", None, None),
        ("WLA", None, "RH", "inner", 12),
    ],
)
def test_a_sound_finding_has_no_problem(
    code: str, m_stage: str | None, foot: str, claw: str | None, zone: int | None
) -> None:
    assert check_finding(code, m_stage, foot, claw, zone) == ()


@pytest.mark.parametrize(
    ("finding", "problem"),
    [
        (("XX", None, "LH", "outer", 4), "lesion_unknown"),
        (("U", None, "LH", "outer", 4), "lesion_is_a_group"),
        (("WL", None, "LH", "outer", 3), "lesion_is_a_group"),
        (("SU", "M2", "LH", "outer", 4), "m_stage_only_for_dd"),
        (("DD", "M5", "LH", None, 10), "m_stage_unknown"),
        (("SU", None, "HL", "outer", 4), "foot_unknown"),
        (("SU", None, "LH", "lateral", 4), "claw_unknown"),
        (("SU", None, "LH", None, 4), "claw_missing"),
        (("SU", None, "LH", "", None), "claw_missing"),
        (("DD", "M2", "LH", "outer", 10), "claw_not_in_this_zone"),
        (("IH", None, "LH", "inner", 0), "claw_not_in_this_zone"),
        (("SU", None, "LH", "outer", 13), "zone_unknown"),
        (("SU", None, "LH", "outer", -1), "zone_unknown"),
    ],
)
def test_each_fault_of_a_finding_is_named(
    finding: tuple[str, str | None, str, str | None, int | None], problem: str
) -> None:
    assert check_finding(*finding) == (problem,)


def test_all_faults_are_named_at_once() -> None:
    assert check_finding("XX", "M9", "X", "X", 99) == (
        "lesion_unknown",
        "m_stage_unknown",
        "foot_unknown",
        "zone_unknown",
        "claw_unknown",
    )


def test_an_unusual_zone_is_told_but_not_refused() -> None:
    assert lesions.is_unusual_zone("SU", 1)
    assert not lesions.is_unusual_zone("SU", 4)
    assert not lesions.is_unusual_zone("SU", None)
    assert not lesions.is_unusual_zone("SC", 1), "no zone is known for it"
    assert check_finding("SU", None, "LH", "outer", 1) == ()


def test_a_share_is_rounded_half_up_to_one_decimal() -> None:
    assert str(lesions.share_percent(1, 2000)) == "0.1"
    assert str(lesions.share_percent(0, 0)) == "0.0"


@pytest.mark.parametrize(("part", "whole"), [(1, 0), (-1, 5), (1, -5)])
def test_a_share_of_nothing_is_refused(part: int, whole: int) -> None:
    with pytest.raises(ValueError, match="no share"):
        lesions.share_percent(part, whole)
