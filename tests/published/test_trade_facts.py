"""What was printed elsewhere about the trade, against what our arithmetic says. Each test names its source."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from scheduling.frequency import days_between_visits, visits_per_year
from trimmer.cautions import heat_band, late_pregnancy, salicylic_acid, thi_nrc, thi_veterinary_handbook
from trimmer.distance import haversine_metres
from trimmer.identification import check_official_tag, check_transponder, uk_check_digit
from trimmer.lesions import LESIONS, M_STAGES, ZONES_WITHOUT_CLAW, check_finding, is_unusual_zone, share_percent
from trimmer.locomotion import is_lame
from trimmer.rechecks import RecordFacts, TreatmentFacts, raised_by

pytestmark = [pytest.mark.pure, pytest.mark.published]


def test_visit_count_formula() -> None:
    """G. Cramer, "Calculate hoof-trimming frequency", Dairy Herd Management: 65 visits a year, one every 5-6 days."""
    visits = visits_per_year(1000, 40)
    assert visits == 65
    days = days_between_visits(visits)
    assert days is not None
    assert 5 <= days <= 6


@pytest.mark.parametrize(
    ("herd", "animal", "digit"),
    [
        # British Cattle Movement Service numbering example.
        (123450, 1, 6),
        (123450, 2, 7),
        (123450, 3, 1),
        # A smallholder's page on ear tags: 600015, 700016, 100017 of herd 284205.
        (284205, 15, 6),
        (284205, 16, 7),
        (284205, 17, 1),
    ],
)
def test_uk_check_digits_as_printed(herd: int, animal: int, digit: int) -> None:
    assert uk_check_digit(herd, animal) == digit
    assert check_official_tag(f"UK {herd} {digit}{animal:05}").is_valid


def test_uk_tag_of_the_icar_examples() -> None:
    """ICAR example value of an official UK number."""
    check = check_official_tag("UK230011200123")
    assert check.is_valid
    assert check.kind == "uk"


def test_uk_tag_that_only_might_have_been() -> None:
    """An older encyclopaedia page prints it as what a herd "might have"; by the derived rule its digit is 1."""
    assert check_official_tag("UK123456600001").warns == ("uk_check_digit",)
    assert uk_check_digit(123456, 1) == 1


def test_uk_misreadings_by_a_multiple_of_seven_are_not_caught() -> None:
    """Encyclopaedia article on the British Cattle Movement Service: 123456 read as 193456, 00016 read as 00086."""
    assert uk_check_digit(123456, 16) == uk_check_digit(193456, 16) == uk_check_digit(123456, 86) == 2


@pytest.mark.parametrize(("number", "country"), [("840003123456789", "840"), ("276000312312345", "276")])
def test_iso_numbers_of_the_icar_examples(number: str, country: str) -> None:
    """ICAR example values."""
    check = check_transponder(number)
    assert check.is_valid
    assert check.country == country
    assert check_official_tag(number).is_valid


@pytest.mark.parametrize("number", ["840274877906944", "826284205700016"])
def test_iso_11784_has_38_bits_for_the_national_number(number: str) -> None:
    """ISO 11784: 38 bits, so at most 274 877 906 943. The second is a sound UK tag that fits no transponder."""
    assert check_transponder(number).problems == ("number_too_big",)
    assert check_official_tag("UK 284205 700016").is_valid


@pytest.mark.parametrize("number", ["84000312345678", "8400031234567890", "84000312345678A"])
def test_iso_11784_is_written_in_15_digits(number: str) -> None:
    """ISO 11784 in decimal: 3 + 12 digits."""
    assert check_transponder(number).is_refused


def test_eu_tag_has_at_most_12_digits() -> None:
    """Reg. (EU) 2017/949 art. 2; Impl. Reg. (EU) 2021/520 art. 12; shorter numbers are filled with zeros."""
    assert check_official_tag("DE1234567890123").is_refused
    assert check_official_tag("DE0123456789").normalised == "DE000123456789"


@pytest.mark.parametrize(
    ("celsius", "humidity", "nrc", "handbook"),
    [
        # Worked by hand from the two formulas.
        (30.0, 50.0, 78.3, 78.2),
        # eXtension (De Vries): 77 F at 50 % is about 72.
        (25.0, 50.0, 71.8, 71.7),
    ],
)
def test_heat_index_in_both_forms(celsius: float, humidity: float, nrc: float, handbook: float) -> None:
    """NRC 1971 (constants from memory) and MLA/LiveCorp Veterinary Handbook 14.2."""
    assert round(thi_nrc(celsius, humidity), 1) == nrc
    assert round(thi_veterinary_handbook(celsius, humidity), 1) == handbook


@pytest.mark.parametrize(("fahrenheit", "humidity", "index"), [(72, 100, 72.0), (82, 20, 71.4)])
def test_heat_index_72_in_fahrenheit(fahrenheit: float, humidity: float, index: float) -> None:
    """eXtension (De Vries): both are printed as 72; the second is 71.4 by the formula."""
    value = thi_nrc((fahrenheit - 32) / 1.8, humidity)
    assert round(value, 1) == index
    assert round(value) == pytest.approx(72, abs=1)


@pytest.mark.parametrize(("celsius", "humidity", "index"), [(31, 40, 77.97), (27, 80, 78.11)])
def test_heat_index_78_of_the_australian_chart(celsius: float, humidity: float, index: float) -> None:
    """Australian dairy heat chart prints 78 for both."""
    value = thi_nrc(celsius, humidity)
    assert round(value, 2) == index
    assert round(value) == 78
    assert heat_band(value) == "moderate"


def test_heat_index_of_a_printed_example() -> None:
    """A printed example of the 0.8 T form: 32 C at 22 % is 75.9."""
    assert round(thi_veterinary_handbook(32, 22), 1) == 75.9


def test_great_circle_of_a_measured_route() -> None:
    """First row of an open set of British road routes: 269.543 km by road; great circle 207.69 km, factor 1.298."""
    metres = haversine_metres(52.0512234, 1.045699727, 51.18790885, -1.622310046)
    assert round(metres / 1000, 2) == 207.69
    assert round(269_543 / metres, 3) == 1.298


def test_windows_after_a_block() -> None:
    """Thomas et al. 2015, J. Dairy Sci.: looked at on day 5-11, block taken off on day 25-31."""
    record = RecordFacts(on=date(2025, 1, 31), treatments=(TreatmentFacts("block", "wood"),))
    assert [(due.what, due.due_from, due.due_by) for due in raised_by(record)] == [
        ("look_at_block", date(2025, 2, 5), date(2025, 2, 11)),
        ("remove_block", date(2025, 2, 25), date(2025, 3, 3)),
    ]


def test_wooden_block_comes_off_after_three_weeks() -> None:
    """Maierl, Fiedler et al., trial summary: remove a wooden block after three weeks, no more gain."""
    record = RecordFacts(on=date(2025, 1, 31), treatments=(TreatmentFacts("block", "wood"),))
    assert raised_by(record)[-1].warn_from == date(2025, 1, 31) + timedelta(weeks=3)


def test_bandage_with_salicylic_acid_comes_off_by_day_five() -> None:
    """Fiedler et al. 2015, Tieraerztl Prax 43(6):350: bandage for five days."""
    record = RecordFacts(on=date(2025, 1, 31), treatments=(TreatmentFacts("wrap"),))
    assert [due.due_by for due in raised_by(record)] == [date(2025, 2, 5)]


@pytest.mark.parametrize(
    ("sound", "cows", "percent"), [(11, 45, "24.4"), (14, 39, "35.9"), (12, 42, "28.6"), (23, 41, "56.1")]
)
def test_shares_of_sound_cows_in_the_block_trial(sound: int, cows: int, percent: str) -> None:
    """Thomas et al. 2015, J. Dairy Sci.: sound at day 35."""
    assert share_percent(sound, cows) == Decimal(percent)


@pytest.mark.parametrize(("days", "warned"), [(27, True), (28, True), (29, False)])
def test_late_pregnancy_is_the_last_four_weeks(days: int, warned: bool) -> None:
    """Thomsen et al. 2020, Res. Vet. Sci.; AHDB, which cows should be on the trim list."""
    visit_on = date(2025, 3, 3)
    caution = late_pregnancy(due_on=visit_on + timedelta(days=days), visit_on=visit_on)
    assert (caution is not None) is warned


_CANADA = {
    # Alberta Dairy Hoof Health Project, November 2012: counts in AB, BC, ON.
    "Digital dermatitis": (13241, 5464, 4488),
    "Sole ulcer": (5284, 2149, 1684),
    "White line lesion": (4760, 2053, 1106),
    "Sole haemorrhage": (1964, 1026, 2894),
    "Toe ulcer": (1504, 763, 213),
    "Interdigital hyperplasia": (1141, 444, 968),
    "Thin sole": (728, 306, 128),
    "Foot rot": (733, 262, 133),
    "Heel erosion": (199, 91, 280),
    "Corkscrew claw": (403, 45, 155),
    "Interdigital dermatitis": (178, 1612, 769),
    "Axial fissure": (270, 107, 40),
    "Vertical fissure": (204, 21, 30),
    "Horizontal fissure": (48, 62, 10),
}


def test_lesion_shares_of_three_canadian_provinces() -> None:
    """hoofhealth.ca, Alberta Dairy Hoof Health Project, November 2012: totals and shares as printed."""
    totals = [sum(column) for column in zip(*_CANADA.values(), strict=True)]
    assert totals == [30657, 14405, 12898]
    cows = zip((20644, 9523, 9156), (40558, 15930, 24045), strict=True)
    assert [share_percent(lesioned, seen) for lesioned, seen in cows] == [Decimal(p) for p in ("50.9", "59.8", "38.1")]
    assert share_percent(sum(_CANADA["Digital dermatitis"]), sum(totals)) == Decimal("40.0")


def test_salicylic_acid_is_a_reminder_for_48_hours() -> None:
    """Wirt et al. 2021, Bovine Practitioner 55(1):45: milk not sold for at least 48 h; the label goes before."""
    treated_at = datetime(2025, 3, 3, 9, 0, tzinfo=UTC)
    caution = salicylic_acid(treated_at=treated_at, milk_until=None, now=treated_at)
    assert caution is not None
    assert (caution.code, caution.until) == ("ask_milk_withholding", datetime(2025, 3, 5, 9, 0, tzinfo=UTC))


def test_lame_on_the_mobility_score() -> None:
    """AHDB (DairyCo) mobility score sheet, 2011: 2 and 3 are lame."""
    assert [is_lame("ahdb_0_3", score) for score in range(4)] == [False, False, True, True]


def test_lame_on_the_locomotion_score() -> None:
    """Sprecher et al. 1997, Theriogenology 47:1179-87; lame from 3, as most papers that use it (from memory)."""
    assert [is_lame("sprecher_1_5", score) for score in range(1, 6)] == [False, False, True, True, True]


def test_m_stages_are_exactly_six() -> None:
    """Vet. Res. 2020, 10.1186/s13567-020-00750-8, Table 1, after Doepfer 1997 and Berry 2012."""
    candidates = ["M0", "M1", "M2", "M3", "M4", "M4.1", "M4.2", "M5", "m2", "4.1"]
    accepted = [stage for stage in candidates if not check_finding("DD", stage, "LH", None, 10)]
    assert accepted == list(M_STAGES) == ["M0", "M1", "M2", "M3", "M4", "M4.1"]


def test_atlas_codes_that_evaluations_print() -> None:
    """Interbull, claw health in France 2024 (CSC is their CC), and Charfeddine et al., Spain (CD, IP)."""
    assert {"DD", "HHE", "IH", "SHC", "SHD", "SU", "WLF", "TN", "CC", "CD", "IP"} <= set(LESIONS)


@pytest.mark.parametrize(
    ("code", "zones"),
    [
        ("SHD", (4, 5, 6)),
        ("SU", (4,)),
        ("TU", (1,)),
        ("HFV", (7, 8)),
        ("TS", (4, 5)),
        ("IP", (9,)),
        ("DD", (9, 10)),
        ("HHE", (6,)),
    ],
)
def test_lesions_are_expected_where_the_foot_map_has_them(code: str, zones: tuple[int, ...]) -> None:
    """International Lameness Committee, lesion key (Kuopio 2008): sites of H, U, T, V, Z, F, D and E."""
    assert [zone for zone in zones if is_unusual_zone(code, zone)] == []


def test_no_claw_is_named_between_the_claws() -> None:
    """Recording hoof lesions by zone, trade press after J. Shearer: zones 0 and 10 belong to neither claw."""
    assert frozenset({0, 10}) == ZONES_WITHOUT_CLAW
    assert check_finding("DD", "M2", "RH", "outer", 10) == ("claw_not_in_this_zone",)
