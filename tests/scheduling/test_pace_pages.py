"""The pages and the API of the pace: an estimate with its parts, how past ones did, default minutes, the load list."""

import datetime as dt
import re
from http import HTTPStatus

import pytest
from django.test import Client as Browser
from rest_framework.test import APIClient

from scheduling.pace_models import SupplyStock
from scheduling.pace_words import estimate_words, part_words
from scheduling.services.pace import Part, estimate_visit, pace_settings_of
from scheduling.services.pace_accuracy import Share, accuracy_of
from scheduling.services.supplies import StockRefused, count_stock, load_of_week, stock_of
from tests import make
from trimmer.access import Seat
from trimmer.models import Crew, Farm, Job

from .paced import a_visit_done, learn, some_visits
from .proposals import MONDAY

pytestmark = pytest.mark.django_db


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"))


@pytest.fixture
def farm(crew: Crew) -> Farm:
    return make.a_farm(make.a_client(crew.business), name="Lower Brook")


@pytest.fixture
def owner(crew: Crew) -> Seat:
    return make.a_member(crew.business)


@pytest.fixture
def browser(owner: Seat) -> Browser:
    return make.signed_in(owner)


@pytest.fixture
def api(owner: Seat) -> APIClient:
    client = APIClient()
    client.force_login(owner.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


def _text(browser: Browser, address: str) -> str:
    answer = browser.get(address)
    assert answer.status_code == HTTPStatus.OK
    return re.sub(r"\s+", " ", answer.content.decode())


# An estimate


def test_an_estimate_is_said_with_its_parts(browser: Browser, crew: Crew, farm: Farm) -> None:
    some_visits(farm, crew, *(300, 310, 290, 305, 295, 320))
    learn(crew.business)
    said = estimate_visit(farm=farm, head={"cow": 60})
    sentence = estimate_words(said, "en-GB")
    assert re.fullmatch(
        r"60 head × \d+\.\d( \+ about [\d.]+ \w+( \w+)? × \d+\.\d)+ \+ set-up \d+ = \d+ h( \d\d min)?; "
        r"nine visits in ten take under \d+ h( \d\d min)?; from 6 visits here",
        sentence,
    )
    page = _text(browser, f"/pace/estimate?farm={farm.pk}&head_cow=60")
    assert sentence in page
    assert "common practice" not in page


def test_a_part_is_said_in_the_singular_where_it_is_one() -> None:
    assert part_words(Part("heifer", 1, 7.04), "en-GB") == "1 heifer × 7.0"
    assert part_words(Part("block", 5.2, 6.8, extra=True), "en-GB") == "about 5.2 blocks × 6.8"
    assert part_words(Part("trim", 60, 7.1), "de") == "60 head × 7,1"


def test_without_visits_the_page_says_that_it_is_defaults(browser: Browser, farm: Farm) -> None:
    page = _text(browser, f"/pace/estimate?farm={farm.pk}&head_cow=10")
    assert "from the default minutes, common practice" in page
    assert "So far 0 visits with times are recorded" in page


def test_a_farm_nobody_was_at_is_called_so(browser: Browser, crew: Crew, farm: Farm) -> None:
    some_visits(make.a_farm(farm.client), crew, *(300, 310, 290, 305, 295, 320))
    learn(crew.business)
    assert "nobody was here yet: from 6 visits to other farms" in _text(
        browser, f"/pace/estimate?farm={farm.pk}&head_cow=10"
    )


def test_the_form_begins_with_the_head_of_the_last_visit(browser: Browser, crew: Crew, farm: Farm) -> None:
    a_visit_done(farm, crew, minutes=300, head={"cow": 47, "heifer": 3})
    page = _text(browser, f"/pace/estimate?farm={farm.pk}")
    assert 'name="head_cow" value="47"' in page
    assert "nine visits in ten" not in page


@pytest.mark.parametrize(
    ("query", "why"),
    [
        ("head_cow=0", "Count at least one head"),
        ("head_cow=-3", "greater than or equal to 0"),
        ("head_cow=many", "whole number"),
        ("head_cow=10&crew=none", "not one of the available choices"),
    ],
)
def test_a_bad_question_is_answered_in_the_form(browser: Browser, farm: Farm, query: str, why: str) -> None:
    page = _text(browser, f"/pace/estimate?farm={farm.pk}&{query}")
    assert why in page
    assert "nine visits in ten" not in page


def test_another_businesses_farm_cannot_be_asked_for(browser: Browser) -> None:
    stranger = make.a_farm(make.a_client(make.a_business()), name="Far Away")
    assert "Far Away" not in _text(browser, f"/pace/estimate?farm={stranger.pk}&head_cow=5")


def test_the_api_estimates_too(api: APIClient, crew: Crew, farm: Farm) -> None:
    some_visits(farm, crew, *(300, 310, 290, 305, 295, 320))
    learn(crew.business)
    said = api.get(f"/api/v1/farms/{farm.pk}/estimate?cow=30&recheck=2&crew={crew.pk}").json()
    assert said["p50"] < said["p80"] < said["p90"]
    assert said["setup"] + sum(part["minutes"] for part in said["parts"]) == pytest.approx(said["p50"])
    assert (said["visits"], said["learned"], said["basis"]) == (6, True, "from 6 visits here")


@pytest.mark.parametrize("query", ["", "cow=0", "cow=-1", "cow=x"])
def test_the_api_refuses_no_head(api: APIClient, farm: Farm, query: str) -> None:
    answer = api.get(f"/api/v1/farms/{farm.pk}/estimate?{query}")
    assert answer.status_code in {HTTPStatus.BAD_REQUEST, HTTPStatus.CONFLICT}
    assert answer.json()["message"]


# How past estimates did


def test_nothing_learned_yet_says_what_to_do(browser: Browser) -> None:
    page = _text(browser, "/pace")
    assert "Nothing learned yet" in page
    assert "Learn from the visits now" in page


def test_the_share_inside_is_shown_by_farm_and_crew(browser: Browser, crew: Crew, farm: Farm) -> None:
    some_visits(farm, crew, *(300, 310, 290, 305, 295, 320, 299, 301, 308, 303) * 3, *(440, 450))
    learned = learn(crew.business)
    accuracy = accuracy_of(business=crew.business, learned=learned)
    assert accuracy
    assert [share.name for share in (*accuracy.farms, *accuracy.crews)] == ["Lower Brook", crew.name]
    inside = sum(row["took"] <= row["said"][2] for row in learned.tried)
    assert accuracy.whole.inside[2] == inside < 32
    page = _text(browser, "/pace")
    assert f"{inside} of 32 visits took no longer than nine in ten should" in page
    assert page.count("<circle") == inside
    assert page.count('<rect class="outside"') == 32 - inside
    assert ' style="' not in page


@pytest.mark.parametrize(("inside", "below"), [(9, False), (8, False), (6, True), (0, True)])
def test_a_farm_is_marked_where_chance_does_not_explain_it(inside: int, below: bool) -> None:
    assert Share("Lower Brook", 1, 10, (inside, inside, inside)).below is below


def test_one_visit_alone_is_never_marked() -> None:
    assert not Share("Lower Brook", 1, 1, (1, 1, 1)).below


def test_what_was_set_aside_is_named_with_the_reason(browser: Browser, api: APIClient, crew: Crew, farm: Farm) -> None:
    some_visits(farm, crew, *(300, 310, 290, 305, 295, 320))
    wild = a_visit_done(farm, make.a_crew(crew.business), minutes=540, head={"cow": 3})
    make.a_visit(farm, crew, state="done", date=make.TODAY - dt.timedelta(days=3))
    learn(crew.business)
    page = _text(browser, "/pace")
    assert "540 minutes for 3 head is too long to be true" in page
    assert f"/visits/{wild.pk}/times" in page
    assert "1 visit done has no times" in page
    said = api.get("/api/v1/pace").json()
    assert [(row["visit"], row["code"]) for row in said["set_aside"]] == [(wild.pk, "too_long")]
    assert (said["visits"], said["untimed"], said["accuracy"]["whole"]["visits"]) == (6, 1, 6)


def test_the_button_has_it_learned_once(browser: Browser, crew: Crew) -> None:
    browser.post("/pace/learn")
    assert "being learned already" in browser.post("/pace/learn", follow=True).content.decode()
    assert Job.objects.of(crew.business).filter(kind="learn_pace").count() == 1


def test_the_api_has_it_learned(api: APIClient) -> None:
    assert api.post("/api/v1/pace").status_code == HTTPStatus.ACCEPTED
    again = api.post("/api/v1/pace")
    assert again.json()["code"] == "pace_is_being_learned"


# Figures


def test_the_default_minutes_can_be_changed(browser: Browser, api: APIClient, crew: Crew) -> None:
    figures = dict.fromkeys(("setup", "trim", "topical", "wrap", "block", "recheck", "heifer", "bull"), "9")
    rest = {"plan_level": "80", "run_out_percent": "10", "blocks_a_cartridge": "6", "head_a_bottle": "30"}
    assert browser.post("/pace/figures", figures | rest).status_code == HTTPStatus.FOUND
    kept = pace_settings_of(crew.business)
    assert (float(kept.trim), kept.plan_level, kept.plan_with_learned) == (9, 80, False)
    assert api.patch("/api/v1/pace-settings", {"trim": "7.5"}, format="json").json()["trim"] == "7.5"


def test_impossible_minutes_are_refused_in_the_form_and_by_the_api(browser: Browser, api: APIClient) -> None:
    page = browser.post("/pace/figures", {"trim": "-1", "plan_level": "50"}).content.decode()
    assert "Must be above 0." in page or "required" in page
    answer = api.patch("/api/v1/pace-settings", {"trim": "0"}, format="json")
    assert answer.json()["code"] == "pace_figures_refused"


# The load list


def test_the_load_list_sets_the_need_of_a_week_against_the_stock(browser: Browser, crew: Crew, farm: Farm) -> None:
    make.a_visit(farm, crew, date=MONDAY, head={"cow": 60})
    make.a_visit(farm, crew, date=MONDAY + dt.timedelta(days=7), head={"cow": 60})
    count_stock(business=crew.business, on_hand={"block": 2, "wrap": 100})
    lines = {line.code: line for line in load_of_week(business=crew.business, monday=MONDAY)}
    assert lines["block"].mean == pytest.approx(60 * 0.057, rel=0.05)  # the published share
    assert lines["block"].carry > 3.4
    assert lines["block"].chance <= 0.05 < lines["block"].on_hand_chance
    assert (lines["block"].to_get, lines["wrap"].to_get) == (lines["block"].carry - 2, 0)
    page = _text(browser, f"/load-list?week={MONDAY}")
    assert "1 visit to come, 60 head." in page
    assert "at most 5%" in page


def test_a_week_without_visits_says_so(browser: Browser) -> None:
    assert "No visits to come in this week" in _text(browser, f"/load-list?week={MONDAY}")
    assert "No visits to come in this week" in _text(browser, "/load-list?week=nonsense")


def test_stock_is_counted(browser: Browser, api: APIClient, crew: Crew) -> None:
    browser.post("/load-list/stock", {"block": "12", "glue": "3", "wrap": "40", "product": "1"})
    assert stock_of(crew.business) == {"block": 12, "glue": 3, "wrap": 40, "product": 1}
    assert api.patch("/api/v1/stock", {"glue": 9}, format="json").json()["glue"] == 9
    assert api.get(f"/api/v1/load-list?week={MONDAY}").json()["lines"][1]["on_hand"] == 9


@pytest.mark.parametrize("counts", [{"block": -1}, {"hoof": 3}, {"wrap": 10**9}])
def test_impossible_counts_are_refused_by_name(crew: Crew, counts: dict[str, int]) -> None:
    with pytest.raises(StockRefused) as refused:
        count_stock(business=crew.business, on_hand={"glue": 1, **counts})
    assert list(refused.value.fields) == list(counts)
    assert not SupplyStock.objects.of(crew.business).exists()


def test_impossible_counts_are_refused_in_the_form(browser: Browser, crew: Crew) -> None:
    page = browser.post("/load-list/stock", {"block": "-1", "glue": "3", "wrap": "4", "product": "1"})
    assert "greater than or equal to 0" in page.content.decode()
    assert not SupplyStock.objects.of(crew.business).exists()
