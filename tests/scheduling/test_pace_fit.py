"""The fit: what it learns, how sure it is, what it does with little, and what cannot bend it."""

import datetime as dt
import json
from dataclasses import replace

import numpy as np
import pytest

from scheduling.pace import KINDS, PastVisit, Rates, WorkAsked, fit_pace, quantile_lines
from scheduling.pace.effects import Effects, Penalties, Strays
from scheduling.pace.standing import StandingPace
from tests.bench.pace import score
from tests.bench.simulated_visits import LAST_DAY, Truth, simulate

pytestmark = pytest.mark.pure

TODAY = dt.date(2026, 6, 1)
ASK = WorkAsked(dt.date(2026, 6, 8), "Lower Brook", "A", {"trim": 40, "block": 3})


def _visits(count: int, *, farm: str = "Lower Brook", factor: float = 1.0, crew: str = "A") -> list[PastVisit]:
    """Set-up 20, trim 6, block 14 minutes, each visit up to 12 % off, alike for any farm."""
    made = []
    for n in range(count):
        trim, block = 15 + 7 * n % 40, 1 + n % 4
        off = 1.0 + 0.12 * ((n * 7 % 11) - 5) / 5
        minutes = factor * (20 + 6 * trim + 14 * block) * off
        date = TODAY - dt.timedelta(days=3 + 9 * n)
        made.append(PastVisit(date, farm, crew, {"trim": trim, "block": block}, minutes, f"{farm} {n}"))
    return made


def test_figures_rise_and_the_parts_add_up_to_the_middle() -> None:
    estimate = fit_pace(_visits(30), today=TODAY).estimate(ASK)
    low, mid, high = estimate.minutes
    assert low < mid < high
    assert estimate.setup + sum(estimate.rates[kind] * n for kind, n in ASK.head.items()) == pytest.approx(low)


def test_the_middle_is_near_what_the_visits_were_made_from() -> None:
    assert fit_pace(_visits(40), today=TODAY).estimate(ASK).minutes[0] == pytest.approx(20 + 40 * 6 + 3 * 14, rel=0.06)


def test_a_slow_farm_and_a_quick_one_part_and_each_is_pulled_to_the_whole() -> None:
    history = _visits(12, farm="Slow", factor=1.3) + _visits(12, farm="Quick", factor=0.8) + _visits(12)
    pace = fit_pace(history, today=TODAY)
    slow, usual, quick = (
        pace.estimate(replace(ASK, farm=farm)).minutes[0] for farm in ("Slow", "Lower Brook", "Quick")
    )
    assert 1.15 < slow / usual < 1.3
    assert 0.8 < quick / usual < 0.9


def test_a_farm_with_fewer_visits_is_pulled_more_and_less_sure() -> None:
    others = [visit for n in range(6) for visit in _visits(10, farm=f"Farm {n}", factor=0.85 + 0.06 * n)]
    one, many = (fit_pace([*others, *_visits(n, farm="Slow", factor=1.4)], today=TODAY) for n in (1, 10))
    ask = replace(ASK, farm="Slow")
    assert one.estimate(ask).minutes[0] < many.estimate(ask).minutes[0]
    assert one.estimate(ask).spread > many.estimate(ask).spread


def test_the_same_visits_give_the_same_fit() -> None:
    history = simulate(Truth(visits=120), 3).history
    first, second = (fit_pace(history, today=LAST_DAY).estimate(ASK) for _ in range(2))
    assert first == second


def test_without_history_the_defaults_speak() -> None:
    estimate = fit_pace([], today=TODAY, defaults=Rates(setup=30.0)).estimate(ASK)
    assert estimate.minutes[0] == pytest.approx(30 + 40 * 8 + 3 * 15.5)
    assert estimate.visits == 0


def test_one_visit_moves_the_defaults_only_part_of_the_way() -> None:
    default = fit_pace([], today=TODAY).estimate(ASK).minutes[0]
    slow = PastVisit(TODAY, "Lower Brook", "A", {"trim": 40}, 1.5 * (25 + 320), "one")
    assert default * 1.05 < fit_pace([slow], today=TODAY).estimate(ASK).minutes[0] < default * 1.47


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind not in {"trim", "block"}])
def test_a_kind_of_work_never_seen_keeps_its_default_at_the_crews_scale(kind: str) -> None:
    pace = fit_pace(_visits(40), today=TODAY)
    rate = pace.levels.lines[0][1 + KINDS.index(kind)]
    assert 0.5 < rate / Rates().per_head[kind] < 1.1


def test_wild_records_bend_nothing_and_are_named() -> None:
    history = _visits(40)
    wild = PastVisit(TODAY, "Lower Brook", "A", {"trim": 3}, 540.0, "the nine-hour one")
    pace = fit_pace([*history, wild], today=TODAY)
    assert [aside.name for aside in pace.set_aside] == ["the nine-hour one"]
    assert pace.estimate(ASK) == fit_pace(history, today=TODAY).estimate(ASK)


def test_a_visit_without_head_cannot_be_estimated() -> None:
    with pytest.raises(ValueError, match="no head"):
        fit_pace([], today=TODAY).estimate(replace(ASK, head={"trim": 0}))


@pytest.mark.parametrize("head", [{"trim": -1}, {"polish": 3}, {"trim": float("nan")}])
def test_head_that_cannot_be_counted_are_refused(head: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"head cannot be counted|no such kind"):
        replace(ASK, head=head)


def test_what_may_be_found_widens_the_figures_and_leaves_the_middle() -> None:
    pace = fit_pace(_visits(40), today=TODAY)
    sure, unsure = pace.estimate(ASK), pace.estimate(replace(ASK, unsure_minutes=40.0))
    assert unsure.minutes[0] == pytest.approx(sure.minutes[0], rel=0.02)
    assert unsure.minutes[2] > sure.minutes[2] * 1.02


def test_a_standing_pace_answers_as_the_fit_does_also_after_being_kept_as_json() -> None:
    pace = fit_pace(simulate(Truth(visits=200), 5).history, today=LAST_DAY)
    day = LAST_DAY + dt.timedelta(days=1)
    kept = StandingPace.from_figures(json.loads(json.dumps(StandingPace.of(pace, day).as_figures())))
    for farm, crew in (("farm 3", "crew 1"), ("nobody's", "crew 0"), ("farm 4", "a new one")):
        ask = WorkAsked(day, farm, crew, {"trim": 30, "wrap": 2})
        assert kept.estimate(ask).minutes == pytest.approx(pace.estimate(ask).minutes)


def test_a_standing_pace_of_another_format_is_refused() -> None:
    figures = StandingPace.of(fit_pace([], today=TODAY), TODAY).as_figures()
    with pytest.raises(ValueError, match="another format"):
        StandingPace.from_figures(figures | {"format": 0})


def test_each_visit_left_out_in_closed_form_is_as_refitting_without_it() -> None:
    draw = np.random.default_rng(2)
    strays = Strays(
        draw.normal(0, 0.2, 25),
        draw.uniform(0.7, 1.5, 25),
        np.arange(25) % 6,
        np.arange(25) % 3,
        np.linspace(0.0, 216.0, 25),
    )
    # The first and the last day stay, as the drift's knots lie between them.
    row, rest = 11, np.delete(np.arange(25), 11)
    visit, _farm = Effects(strays, 3, Penalties()).left_out()
    middle, variance = Effects(strays.of(rest), 3, Penalties()).at(row % 6, row % 3, row * 9.0)
    assert visit.middle[row] == pytest.approx(middle)
    assert visit.variance[row] == pytest.approx(variance)


def test_each_farm_left_out_in_closed_form_is_as_refitting_without_it() -> None:
    draw = np.random.default_rng(2)
    strays = Strays(
        draw.normal(0, 0.2, 25), np.ones(25), np.arange(25) % 6, np.arange(25) % 3, np.linspace(0.0, 216.0, 25)
    )
    _visit, farm = Effects(strays, 3, Penalties()).left_out()
    rest = np.flatnonzero(strays.farm != 2)
    middle, variance = Effects(strays.of(rest), 3, Penalties()).at(-1, 8 % 3, 72.0)
    assert farm.middle[8] == pytest.approx(middle)
    assert farm.variance[8] == pytest.approx(variance)


def test_bounded_lines_never_cross_and_no_coefficient_is_below_0() -> None:
    draw = np.random.default_rng(9)
    design = np.column_stack([np.ones(60), draw.integers(0, 9, (60, 3))]).astype(float)
    lines = quantile_lines(design, draw.normal(20, 30, 60), (0.5, 0.8, 0.9), bounded=True)
    assert (np.diff(np.vstack([np.zeros(4), lines]), axis=0) >= 0).all()


def test_lines_from_a_guess_nearby_or_a_bad_one_are_the_same() -> None:
    draw = np.random.default_rng(6)
    design = np.column_stack([np.ones(1500), draw.poisson(20, (1500, 3))]).astype(float)
    minutes = design @ [20.0, 7.0, 9.0, 14.0] * draw.lognormal(0, 0.2, 1500)
    alone = quantile_lines(design, minutes, (0.5, 0.9), bounded=True)
    near = quantile_lines(design, minutes, (0.5, 0.9), bounded=True, near=alone * 1.05)
    bad = quantile_lines(design, minutes, (0.5, 0.9), bounded=True, near=alone * 9)
    assert near == pytest.approx(alone)
    assert bad == pytest.approx(alone)


def test_held_out_visits_fall_under_the_figures_as_often_as_they_say() -> None:
    under: dict[bool, list[np.ndarray]] = {True: [], False: []}
    for seed in range(6):
        truth = simulate(Truth(), seed, asked=600)
        pace = fit_pace(truth.history, today=LAST_DAY)
        for ask, took, seen in zip(truth.asked, truth.took, truth.seen, strict=True):
            under[seen <= 3].append(took <= np.array(pace.estimate(ask).minutes))
    for shares in (np.mean(under[few], axis=0) for few in (True, False)):
        assert shares[1] == pytest.approx(0.80, abs=0.04)
        assert shares[2] == pytest.approx(0.90, abs=0.03)


@pytest.mark.parametrize("ahead", [True, False])
def test_the_figures_lose_at_least_15_percent_less_than_plain_rules(ahead: bool) -> None:
    scores = [score(Truth(), seed, ahead=ahead) for seed in range(2)]
    assert max(each.over_average for each in scores) <= 0.85  # of average minutes a head
    assert max(each.over_farm_mean for each in scores) <= 0.85  # of a mean of each farm
