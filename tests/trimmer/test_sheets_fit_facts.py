"""What a sheet may hold is what the facts can keep: choices and lengths of the columns against the models."""

import pytest
from django.db.models import Field

from billing.models import Article, PriceList, TaxCategory, TaxCode
from trimmer.models import Animal, ChuteRecord, Client, Contact, Crew, Farm, Finding, Treatment
from trimmer.services.records import ON_A_FOOT
from trimmer.sheets.layout import Layout
from trimmer.sheets.layouts import ANIMALS, CLIENTS_AND_FARMS, PRICES, PUT_ON_A_FOOT, VISITS_AND_RECORDS


def field(model: type, name: str) -> "Field[object, object]":
    found = model._meta.get_field(name)  # type: ignore[attr-defined]
    assert isinstance(found, Field)
    return found


@pytest.mark.parametrize(
    ("layout", "key", "model", "name"),
    [
        (CLIENTS_AND_FARMS, "barn", Farm, "barn"),
        (CLIENTS_AND_FARMS, "health_tier", Farm, "health_tier"),
        (CLIENTS_AND_FARMS, "chute_kind_needed", Farm, "chute_kind_needed"),
        (ANIMALS, "animal_class", Animal, "animal_class"),
        (VISITS_AND_RECORDS, "work", ChuteRecord, "kind"),
        (VISITS_AND_RECORDS, "scale", ChuteRecord, "scale"),
        (VISITS_AND_RECORDS, "foot", Finding, "foot"),
        (VISITS_AND_RECORDS, "claw", Finding, "claw"),
        (VISITS_AND_RECORDS, "treatment", Treatment, "kind"),
        (VISITS_AND_RECORDS, "block_kind", Treatment, "block_kind"),
    ],
)
def test_a_column_has_the_choices_of_its_field(layout: Layout, key: str, model: type, name: str) -> None:
    kept = {str(value) for value, _ in field(model, name).flatchoices}

    assert {choice.value for choice in layout.column(key).choices} == kept


def test_prices_have_the_articles_and_tax_codes_of_billing() -> None:
    assert {choice.value for choice in PRICES.column("article").choices} == set(Article.values)
    assert {choice.value for choice in PRICES.column("tax_code").choices} == set(TaxCode.values)


def test_the_treatments_that_need_their_foot_are_those_of_the_records() -> None:
    assert PUT_ON_A_FOOT == ON_A_FOOT


CLIENT_COLUMNS = ("name", "street", "postcode", "city", "region", "phone", "tax_id")
FARM_COLUMNS = ("name", "street", "postcode", "city", "region")


@pytest.mark.parametrize(
    ("layout", "key", "model", "name"),
    [
        (CLIENTS_AND_FARMS, "client_number", Client, "number"),
        *((CLIENTS_AND_FARMS, f"client_{name}", Client, name) for name in CLIENT_COLUMNS),
        *((CLIENTS_AND_FARMS, f"farm_{name}", Farm, name) for name in FARM_COLUMNS),
        *((CLIENTS_AND_FARMS, f"contact_{name}", Contact, name) for name in ("name", "phone", "job")),
        *((ANIMALS, name, Animal, name) for name in ("number", "official_tag", "transponder", "group", "note")),
        (PRICES, "list_name", PriceList, "name"),
        (PRICES, "tax_category", TaxCategory, "name"),
        (PRICES, "tax_text", TaxCategory, "exemption_reason"),
        (VISITS_AND_RECORDS, "crew", Crew, "name"),
        (VISITS_AND_RECORDS, "note", ChuteRecord, "note"),
        *((VISITS_AND_RECORDS, name, Treatment, name) for name in ("product", "batch")),
    ],
)
def test_a_column_takes_no_more_than_its_field_can_keep(layout: Layout, key: str, model: type, name: str) -> None:
    assert layout.column(key).max_length == field(model, name).max_length
