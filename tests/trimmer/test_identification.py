import pytest

from trimmer.identification import TagCheck, check_official_tag, check_transponder, normalise, uk_check_digit

pytestmark = pytest.mark.pure


@pytest.mark.parametrize(
    "text", ["UK 230011-200123", " uk230011 200123 ", "UK–230011‑200123", "uk\u00a0230011\t200123"]
)
def test_spaces_dashes_and_small_letters_do_not_matter(text: str) -> None:
    assert normalise(text) == "UK230011200123"
    assert check_official_tag(text) == TagCheck("uk", "UK230011200123", country="UK")


@pytest.mark.parametrize(
    ("text", "kind", "normalised", "country"),
    [
        ("DE 01 234 56789", "eu", "DE000123456789", "DE"),
        ("NL 123456789", "eu", "NL000123456789", "NL"),
        ("IE 123456789012", "eu", "IE123456789012", "IE"),
        ("EL123456789012", "eu", "EL123456789012", "EL"),
        ("GR123456789012", "eu", "EL123456789012", "EL"),
        ("XI123456789012", "eu", "XI123456789012", "XI"),
        ("GB230011200123", "uk", "UK230011200123", "UK"),
        ("276000312312345", "eu", "276000312312345", "276"),
        ("840 003 123 456 789", "us_840", "840003123456789", "840"),
        ("UK 912345612345", "uk", "UK912345612345", "UK"),
    ],
)
def test_a_sound_tag_is_known_by_its_form(text: str, kind: str, normalised: str, country: str) -> None:
    check = check_official_tag(text)
    assert check.is_valid
    assert (check.kind, check.normalised, check.country) == (kind, normalised, country)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "empty"),
        (" - ", "empty"),
        ("DE 12/34", "characters"),
        ("DÉ123456789012", "characters"),
        ("DE1234567890123", "too_many_digits"),
        ("UK1234567890123", "too_many_digits"),
        ("1234567890123456", "too_many_digits"),
        ("84000312345678", "not_15_digits"),
        ("8400031234567890", "not_15_digits"),
    ],
)
def test_what_cannot_be_an_official_tag_is_refused(text: str, problem: str) -> None:
    check = check_official_tag(text)
    assert check.problems == (problem,)
    assert check.is_refused
    assert not check.is_valid


@pytest.mark.parametrize(
    ("text", "warning"),
    [
        ("412", "form_unknown"),
        ("DE", "form_unknown"),
        ("35ABC1234", "form_unknown"),
        ("12345678901234", "form_unknown"),
        ("UKAB123400123", "old_form"),
        ("CH120123456789", "country_unknown"),
        ("UK2300112001", "uk_length"),
        ("UK230011300123", "uk_check_digit"),
        ("UK230011800123", "uk_check_digit"),
        ("840274877906944", "no_iso_11784_number"),
    ],
)
def test_what_is_doubtful_is_told_and_may_be_kept(text: str, warning: str) -> None:
    check = check_official_tag(text)
    assert check.warns == (warning,)
    assert not check.is_refused
    assert not check.is_valid


def test_the_country_of_the_farm_completes_a_number_written_without_one() -> None:
    assert check_official_tag("230011 200123", country="GB").normalised == "UK230011200123"
    assert check_official_tag("0123456789", country="de").normalised == "DE000123456789"
    assert check_official_tag("NL123456789", country="DE").normalised == "NL000123456789"


def test_a_short_number_stays_the_farms_own() -> None:
    check = check_official_tag("412", country="DE")
    assert (check.kind, check.normalised, check.warns) == ("other", "412", ("form_unknown",))


def test_a_country_without_such_tags_completes_nothing() -> None:
    assert check_official_tag("123456789012", country="US").warns == ("form_unknown",)


def test_the_check_digit_counts_leading_zeros_whichever_way_they_are_given() -> None:
    assert uk_check_digit("000123", "00045") == uk_check_digit(123, 45)


@pytest.mark.parametrize(("herd", "animal"), [(1234567, 1), (123456, 100000), ("12A456", 1), (-1, 1), ("", "²")])
def test_a_check_digit_of_something_else_is_refused(herd: int | str, animal: int | str) -> None:
    with pytest.raises(ValueError, match="digits are needed"):
        uk_check_digit(herd, animal)


def test_a_transponder_is_stored_without_spaces() -> None:
    assert check_transponder("276 000-312312345") == TagCheck("iso_11784", "276000312312345", country="276")


@pytest.mark.parametrize(
    ("text", "problems"),
    [
        ("", ("empty",)),
        ("27600031231234X", ("characters",)),
        ("27600031231234", ("not_15_digits",)),
        ("2760003123123456", ("not_15_digits",)),
        ("UK230011200123", ("characters", "not_15_digits")),
        ("٢76000312312345", ("characters",)),
        ("276274877906944", ("number_too_big",)),
    ],
)
def test_what_no_reader_shows_is_refused(text: str, problems: tuple[str, ...]) -> None:
    assert check_transponder(text).problems == problems


def test_the_greatest_number_of_38_bits_is_accepted() -> None:
    assert check_transponder("276274877906943").is_valid


def test_a_test_number_and_a_number_of_nobody_are_warned_of() -> None:
    assert check_transponder("999000000000001").warns == ("test_code",)
    assert check_transponder("000000000000001").warns == ("country_unknown",)
