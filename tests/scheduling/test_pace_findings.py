"""What will be found, and what to carry for it."""

import numpy as np
import pytest

from scheduling.pace import KINDS
from scheduling.pace.findings import BROUGHT, PUBLISHED, TIE_STALL, Seen, learn_findings
from scheduling.pace.load_list import Coming, LoadLine, Supply, load_list

pytestmark = pytest.mark.pure

BLOCKS = Supply("block", ("block",), often=(0.9, 0.1))
GLUE = Supply("glue", ("block",), head_per_unit=8)
WRAPS = Supply("wrap", ("wrap",))


def _cows(farm: str, trim: int, block: int) -> Seen:
    return Seen(farm, "cow", {"trim": trim, "block": block})


@pytest.mark.parametrize("brought", BROUGHT)
def test_published_shares_add_up(brought: str) -> None:
    assert sum(PUBLISHED[brought].values()) == pytest.approx(1)
    assert sum(TIE_STALL.values()) == pytest.approx(1)


def test_published_dermatitis_and_block_shares_are_within_their_source() -> None:
    # Cramer et al. 2008, J. Dairy Sci. 91:3888: free stalls 22.7 % dermatitis, blocks 2.2 %, ulcers 9.2 %; tie stalls
    # 9.3 %, 0.3 %, 4.7 %.
    for shares, dermatitis, blocks, ulcers in (
        (PUBLISHED["cow"], 0.227, 0.022, 0.092),
        (TIE_STALL, 0.093, 0.003, 0.047),
    ):
        assert shares["topical"] + shares["wrap"] == pytest.approx(dermatitis, abs=0.002)
        assert shares["block"] == pytest.approx((blocks + ulcers) / 2, abs=0.001)


def test_nothing_seen_means_the_published_shares() -> None:
    head = learn_findings([]).expected("anywhere", {"cow": 1000}).head()
    assert head["block"] == pytest.approx(57)
    assert sum(head.values()) == pytest.approx(1000)


def test_a_farm_seen_often_has_its_own_shares_and_a_new_one_those_of_the_whole() -> None:
    findings = learn_findings([_cows("sore", 300, 100), _cows("sound", 396, 4), _cows("usual", 360, 40)])
    sore, new, sound = (findings.expected(farm, {"cow": 100}).head()["block"] for farm in ("sore", "new", "sound"))
    assert 20 < sore < 25
    assert 1 < sound < 3
    assert sound < new < sore


def test_a_farm_seen_little_is_pulled_to_the_whole() -> None:
    findings = learn_findings([_cows("once", 3, 3), *(_cows(f"farm {n}", 190, 10) for n in range(8))])
    assert 0.05 < findings.expected("once", {"cow": 1}).head()["block"] < 0.25


def test_more_head_are_less_sure_in_minutes_and_more_sure_in_share() -> None:
    findings, rates = learn_findings([]), dict.fromkeys(KINDS, 10.0) | {"block": 20.0}
    few, many = (findings.expected("new", {"cow": count}).spread(rates) for count in (10, 100))
    assert few < many < 10 * few


def test_the_spread_is_that_of_draws() -> None:
    findings = learn_findings([_cows("sore", 80, 20)])
    draw = np.random.default_rng(3)
    weights = findings.weights("sore", "cow")
    blocks = [draw.multinomial(40, draw.dirichlet(weights + 1e-12))[KINDS.index("block")] for _ in range(20_000)]
    expected = findings.expected("sore", {"cow": 40})
    place = KINDS.index("block")
    assert np.mean(blocks) == pytest.approx(expected.mean[place], rel=0.02)
    assert np.var(blocks) == pytest.approx(expected.covariance[place, place], rel=0.05)


@pytest.mark.parametrize("seen", [("f", "goat", {"trim": 1}), ("f", "cow", {"polish": 1}), ("f", "cow", {"trim": -1})])
def test_counts_that_cannot_be_are_refused(seen: tuple[str, str, dict[str, int]]) -> None:
    with pytest.raises(ValueError, match="no such count"):
        Seen(*seen)


def _line(coming: list[Coming], supply: Supply, chance: float = 0.05, **on_hand: int) -> LoadLine:
    findings = learn_findings([_cows("a", 90, 10), _cows("b", 95, 5)])
    (line,) = load_list(coming, findings, [supply], chance=chance, on_hand=on_hand)
    return line


def test_nothing_to_come_needs_nothing() -> None:
    assert _line([], BLOCKS) == LoadLine("block", 0.0, 0, 0.0, 0, 0.0)


def test_one_unit_less_would_not_do() -> None:
    line = _line([Coming("a", {"cow": 60, "lame": 4}), Coming("b", {"cow": 40})], BLOCKS)
    assert line.chance <= 0.05
    assert _line([Coming("a", {"cow": 60, "lame": 4}), Coming("b", {"cow": 40})], BLOCKS, block=line.carry - 1)
    short = _line([Coming("a", {"cow": 60, "lame": 4}), Coming("b", {"cow": 40})], BLOCKS, block=line.carry - 1)
    assert short.on_hand_chance > 0.05
    assert short.to_get == 1


def test_a_smaller_chance_asks_for_more() -> None:
    coming = [Coming("a", {"cow": 80})]
    assert _line(coming, WRAPS, 0.01).carry > _line(coming, WRAPS, 0.2).carry


def test_a_cartridge_serves_eight_blocks() -> None:
    coming = [Coming("a", {"lame": 60})]
    assert _line(coming, GLUE).carry == pytest.approx(_line(coming, Supply("block", ("block",))).carry / 8, abs=1)


@pytest.mark.parametrize("chance", [0.0, 1.0, -1.0])
def test_a_chance_that_is_none_is_refused(chance: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        _line([], BLOCKS, chance)


@pytest.mark.parametrize(
    "supply", [("x", ()), ("x", ("polish",)), ("x", ("block",), 0.0), ("x", ("block",), 1.0, (0.5, 0.4))]
)
def test_a_supply_that_cannot_be_is_refused(supply: tuple[str, tuple[str, ...]]) -> None:
    with pytest.raises(ValueError, match=r"no such kind|more than 0|add up"):
        Supply(*supply)


def test_the_stated_chance_holds_in_simulated_weeks() -> None:
    draw = np.random.default_rng(8)
    stated, ran_out = [], []
    for _ in range(50):
        shares = draw.dirichlet([42, 9, 4, 5], size=12)  # trim, topical, block, wrap of twelve farms
        kinds = "trim", "topical", "block", "wrap"
        seen = [
            Seen(
                f"farm {n}",
                "cow",
                dict(zip(kinds, map(int, draw.multinomial(draw.integers(0, 150), row)), strict=True)),
            )
            for n, row in enumerate(shares)
        ]
        findings = learn_findings(seen)
        for _week in range(20):
            farms = draw.choice(12, size=6, replace=False)
            head = draw.integers(10, 70, size=6)
            coming = [Coming(f"farm {farm}", {"cow": int(count)}) for farm, count in zip(farms, head, strict=True)]
            lines = load_list(coming, findings, [Supply("block", ("block",)), WRAPS], chance=0.1, on_hand={})
            drawn = np.sum(
                [draw.multinomial(count, shares[farm]) for farm, count in zip(farms, head, strict=True)], axis=0
            )
            stated += [line.chance for line in lines]
            ran_out += [drawn[place] > line.carry for place, line in zip((2, 3), lines, strict=True)]
    assert np.mean(ran_out) == pytest.approx(np.mean(stated), abs=0.02)
