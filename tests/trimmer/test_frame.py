"""The frame around every page: forms, icons, pages of a list, navigation, sign-in pages."""

import re
from datetime import UTC, date, datetime, time
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django import forms
from django.core.paginator import Paginator
from django.template import Context, Template
from django.template.loader import render_to_string
from django.test import Client, RequestFactory
from django.urls import reverse
from django.utils import translation

from billing.models import TaxCategory
from tests.make import a_business, a_member, signed_in
from trimmer.models import Business, Crew
from trimmer.rendering import ClockInput, DayInput, MomentInput
from trimmer.templatetags.frame import field_groups, pages_near, query_with

HOME = Business(name="Larkrise", currency="GBP", language="en-GB", time_zone="Europe/London", units="metric")


class AskForm(forms.Form):
    day = forms.DateField(label="Day", help_text="The first that suits.")
    at = forms.TimeField(label="From", required=False)
    told = forms.DateTimeField(label="Told", required=False)
    wash = forms.BooleanField(label="Washed", required=False, help_text="Chute and tools.")
    feet = forms.MultipleChoiceField(label="Feet", choices=[("LF", "left front")], widget=forms.CheckboxSelectMultiple)
    secret = forms.CharField(widget=forms.HiddenInput, initial="x")
    groups = (("When", ("day", "at")),)


def show(source: str, **context: Any) -> str:
    return Template("{% load show frame %}" + source).render(Context({"business": HOME} | context))


# Forms


class CrewForm(forms.ModelForm):  # type: ignore[type-arg]
    class Meta:
        model = Crew
        fields = ("base",)


class TaxForm(forms.ModelForm):  # type: ignore[type-arg]
    class Meta:
        model = TaxCategory
        fields = ("code",)


@pytest.mark.django_db
@pytest.mark.parametrize("form", [CrewForm(), TaxForm()])
def test_a_choice_not_made_yet_has_a_word_for_it(form: forms.BaseForm) -> None:
    html = str(form)
    assert ">choose<" in html
    assert "---" not in html


def test_a_field_is_tied_to_its_help_and_its_errors() -> None:
    html = str(AskForm({"day": "soon"})["day"].as_field_group())
    described = re.search(r'aria-describedby="([^"]+)"', html)
    assert described is not None
    assert described[1].split() == ["id_day_helptext", "id_day_error"]
    assert all(f'id="{name}"' in html for name in described[1].split())
    assert '<label for="id_day">' in html
    assert 'aria-invalid="true"' in html


def test_a_list_of_choices_is_a_fieldset_tied_to_its_error() -> None:
    html = str(AskForm({})["feet"].as_field_group())
    assert '<fieldset class="choices" aria-describedby="id_feet_error">' in html
    assert "<legend>Feet" in html


def test_a_check_box_stands_before_its_label() -> None:
    html = str(AskForm()["wash"].as_field_group())
    assert html.index("<input") < html.index("<label")
    assert 'aria-describedby="id_wash_helptext"' in html


def test_dates_and_times_get_the_pickers_of_the_browser() -> None:
    form = AskForm(initial={"day": date(2026, 3, 4), "at": time(8, 5), "told": datetime(2026, 3, 4, 8, 5, tzinfo=UTC)})
    with translation.override("de"):
        assert 'type="date" name="day" value="2026-03-04"' in str(form["day"])
        assert 'type="time" name="at" value="08:05"' in str(form["at"])
        assert 'type="datetime-local" name="told" value="2026-03-04T08:05"' in str(form["told"])


def test_what_a_picker_sends_is_understood() -> None:
    form = AskForm({"day": "2026-03-04", "at": "08:05", "told": "2026-03-04T08:05", "feet": ["LF"], "secret": "x"})
    with translation.override("de"):
        assert form.is_valid(), form.errors
    assert form.cleaned_data["day"] == date(2026, 3, 4)
    assert form.cleaned_data["at"] == time(8, 5)


def test_a_widget_of_the_form_s_own_choice_stays() -> None:
    class Plain(forms.Form):
        day = forms.DateField(widget=forms.SelectDateWidget)

    assert isinstance(Plain()["day"].field.widget, forms.SelectDateWidget)
    widgets = [AskForm()[name].field.widget for name in ("day", "at", "told")]
    assert [type(widget) for widget in widgets] == [DayInput, ClockInput, MomentInput]


def test_fields_stand_in_the_groups_of_the_form_and_hidden_ones_are_kept() -> None:
    html = str(AskForm())
    groups = [(group["title"], [field.name for field in group["fields"]]) for group in field_groups(AskForm())]
    assert groups == [("", ["told", "wash", "feet"]), ("When", ["day", "at"])]
    assert "<legend>When</legend>" in html
    assert html.count('name="secret"') == 1


def test_a_formset_labels_every_cell_and_brings_an_empty_row() -> None:
    html = str(forms.formset_factory(AskForm, extra=1)())
    assert '<label class="cell-label" for="id_form-0-day">' in html
    assert "<template>" in html
    assert 'name="form-__prefix__-day"' in html
    assert 'name="form-TOTAL_FORMS"' in html


# Values and states


def test_tags_show_values_as_the_business_reads_them() -> None:
    moment = datetime(2026, 7, 15, 7, 30, tzinfo=UTC)
    assert show("{% money x %}", x=Decimal("12.345")) == "£12.35"
    assert show('{% money x "EUR" %}', x=Decimal("12.345")) == "€12.35"
    assert show("{% distance 14250 %}").replace("\u00a0", " ") == "14.3 km"
    assert show("{% minutes 125 %}") == "2 h 05 min"
    assert show("{% number 1640 %} {% percent 0.5 %}") == "1,640 50%"
    assert show("{% day x %}", x=date(2026, 3, 4)) == '<time datetime="2026-03-04">Wed, 4 Mar 2026</time>'
    assert ">08:30</time>" in show("{% clock x %}", x=moment)
    assert "Wed, 15 Jul 2026, 08:30" in show("{% when x %}", x=moment)
    assert show("{% hours x y %}", x=moment, y=moment.replace(hour=9)) == "08:30–10:30"
    assert show("{% hours x y %}", x=moment, y=None) == "08:30"
    assert show("{% days x x %} {% weekday x %}", x=date(2026, 3, 4)) == "4 Mar 2026 Wednesday"
    assert show("{% days x None %}", x=date(2026, 3, 4)) == "4 Mar 2026 –"


def test_a_moment_late_in_the_evening_belongs_to_the_day_of_the_business() -> None:
    late = datetime(2026, 7, 15, 23, 30, tzinfo=UTC)
    assert "Thu, 16 Jul 2026" in show("{% day x %}", x=late)


TAGS = ("money", "number", "percent", "distance", "minutes", "day", "weekday", "when", "clock")


@pytest.mark.parametrize("tag", TAGS)
def test_an_absent_value_shows_as_nothing(tag: str) -> None:
    assert show(f"{{% {tag} x %}}", x=None) == ""


def test_a_state_is_said_in_words_and_coloured_by_what_it_calls_for() -> None:
    visit = SimpleNamespace(state="under_way", get_state_display=lambda: "under way")
    assert show("{% state_badge x %}", x=visit) == '<span class="badge warn">under way</span>'
    assert show("{% state_badge x %}", x=SimpleNamespace(state="unheard")) == '<span class="badge quiet">unheard</span>'


def test_a_badge_escapes_what_it_shows() -> None:
    assert show("{% badge x %}", x="<b>") == '<span class="badge quiet">&lt;b&gt;</span>'


def test_an_icon_is_an_ornament_unless_it_has_a_label() -> None:
    assert 'aria-hidden="true"' in show('{% icon "farm" %}')
    assert 'role="img" aria-label="Farm"' in show('{% icon "farm" "Farm" %}')
    assert show("{% icon x %}", x="") == ""


@pytest.mark.parametrize(
    ("number", "shown"),
    [(1, [1, 2, None, 20]), (7, [1, None, 6, 7, 8, None, 20]), (20, [1, None, 19, 20])],
)
def test_the_pager_offers_the_ends_and_the_neighbours(number: int, shown: list[int | None]) -> None:
    assert pages_near(Paginator(range(500), 25).page(number)) == shown


def test_turning_the_page_keeps_the_other_parameters(rf: RequestFactory) -> None:
    context = Context({"request": rf.get("/", {"state": "open", "page": "2"})})
    assert query_with(context, page=3) == "?state=open&page=3"
    assert query_with(context, page=None) == "?state=open"
    assert query_with(Context(), page=3) == "?page=3"


# Pages without a seat


def test_the_sign_in_page_wears_the_frame(client: Client) -> None:
    html = client.get(reverse("account_login")).content.decode()
    assert '<main id="main"' in html
    assert "trimmer/tokens.css" in html
    assert html.count("<h1>") == 1
    assert 'name="login"' in html
    assert "<title>Sign in · Trimround</title>" in html


@pytest.mark.parametrize("name", ["account_reset_password", "account_reset_password_done", "account_inactive"])
def test_every_way_back_in_wears_the_frame(client: Client, name: str) -> None:
    html = client.get(reverse(name)).content.decode()
    assert html.count("<h1>") == 1
    assert "trimmer/look.css" in html


def test_nobody_signs_up_without_an_invitation(client: Client) -> None:
    assert "By invitation" in client.get(reverse("account_signup")).content.decode()


def test_an_address_that_leads_nowhere_says_so_in_plain_words(client: Client) -> None:
    response = client.get("/no/such/page")
    assert response.status_code == 404
    assert "There is no such page" in response.content.decode()


@pytest.mark.parametrize("code", [400, 403, 404, 500])
def test_the_error_pages_need_no_context(code: int) -> None:
    html = render_to_string(f"{code}.html")
    assert html.count("<h1>") == 1
    assert 'href="/"' in html


@pytest.mark.django_db
def test_a_forgotten_password_is_chosen_anew_by_the_link_in_the_mail(
    client: Client, mailoutbox: list[Any], django_user_model: Any, settings: Any
) -> None:
    person = django_user_model.objects.create_user("runa@larkrise.example", "first barn door key")
    client.post(reverse("account_reset_password"), {"email": person.email})
    link = re.search(r"http://testserver(\S+)", mailoutbox[0].body)
    assert link is not None
    page = client.get(link[1], follow=True)
    assert "Choose a new password" in page.content.decode()
    words = {"password1": "second barn door key", "password2": "second barn door key"}
    client.post(page.redirect_chain[-1][0], words)
    person.refresh_from_db()
    assert person.check_password("second barn door key")


@pytest.mark.django_db
def test_an_unknown_address_gets_no_link(client: Client, mailoutbox: list[Any]) -> None:
    client.post(reverse("account_reset_password"), {"email": "nobody@larkrise.example"})
    assert "http" not in mailoutbox[0].body


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("path", "place"),
    [
        ("/", "Home"),
        ("/farms", "Farms"),
        ("/farms/add", "Farms"),
        ("/balances", "Invoices"),
        ("/tax-categories", "Prices"),
        ("/people", "Settings"),
        ("/account", "My account"),
    ],
)
def test_the_navigation_shows_where_one_is(path: str, place: str) -> None:
    html = signed_in(a_member(a_business())).get(path).text
    (here,) = re.findall(r'aria-current="(?:page|true)">.*?<span>(.*?)</span>', html.partition("<main")[0], re.DOTALL)
    assert here == place
