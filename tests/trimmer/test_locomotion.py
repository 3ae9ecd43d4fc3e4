import pytest

from trimmer.locomotion import SCALES, check_score, is_lame, is_severe

pytestmark = pytest.mark.pure


def test_scales_are_keyed_by_their_names_and_have_every_step_between_their_ends() -> None:
    assert {key: scale.values for key, scale in SCALES.items()} == {
        "sprecher_1_5": (1, 2, 3, 4, 5),
        "ahdb_0_3": (0, 1, 2, 3),
    }
    assert all(key == scale.key for key, scale in SCALES.items())


def test_every_step_has_a_name_and_a_meaning() -> None:
    assert all(score.name and score.meaning for scale in SCALES.values() for score in scale.scores)


@pytest.mark.parametrize(
    ("scale", "score"),
    [("sprecher_1_5", 0), ("sprecher_1_5", 6), ("ahdb_0_3", 4), ("ahdb_0_3", -1)],
)
def test_a_score_off_the_scale_is_named(scale: str, score: int) -> None:
    assert check_score(scale, score) == ("score_not_on_scale",)


def test_a_scale_nobody_published_is_named() -> None:
    assert check_score("ours_1_9", 3) == ("scale_unknown",)
    assert check_score("ahdb_0_3", 3) == ()


def test_the_same_number_means_another_thing_on_another_scale() -> None:
    assert is_lame("ahdb_0_3", 2)
    assert not is_lame("sprecher_1_5", 2)


def test_severe_is_the_last_step_of_one_scale_and_the_last_two_of_the_other() -> None:
    assert [is_severe("ahdb_0_3", score) for score in range(4)] == [
        False,
        False,
        False,
        True,
    ]
    assert [is_severe("sprecher_1_5", score) for score in range(1, 6)] == [
        False,
        False,
        False,
        True,
        True,
    ]


def test_a_score_off_the_scale_is_neither_lame_nor_sound() -> None:
    with pytest.raises(ValueError, match="score_not_on_scale"):
        is_lame("ahdb_0_3", 5)
    with pytest.raises(ValueError, match="scale_unknown"):
        is_severe("", 1)
