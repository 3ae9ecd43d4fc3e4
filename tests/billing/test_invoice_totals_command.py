"""`manage.py invoice_totals` on the published figures; where they come from stands in the fixture beside each."""

import json
from decimal import Decimal as D
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

EXAMPLES = Path(__file__).parents[2] / "fixtures" / "invoices" / "official_examples.json"


def computed(cases: list[dict[str, Any]], folder: Path) -> list[dict[str, Any]]:
    asked, answer = folder / "cases.json", folder / "totals.json"
    asked.write_text(json.dumps({"cases": cases}), encoding="utf-8")
    call_command("invoice_totals", asked, out=answer, verbosity=0)
    found: list[dict[str, Any]] = json.loads(answer.read_text(encoding="utf-8"))["cases"]
    return found


def a_case(**changes: Any) -> dict[str, Any]:
    line = {"qty": "3", "price": "33.335", "base": "1", "allow": [], "charge": [], "cat": "S", "rate": "19"}
    return {"currency": "EUR", "lines": [line], "doc_ac": [], "totals": {"BT-113": "0", "BT-114": None}} | changes


@pytest.mark.published
def test_the_published_examples_come_out_to_the_cent(tmp_path: Path) -> None:
    """CEN/TC 434 validation artefacts 1.3.16 and Peppol BIS Billing 3.0: the fixture names the file of each."""
    cases = json.loads(EXAMPLES.read_text(encoding="utf-8"))["cases"]
    answers = computed(cases, tmp_path)
    assert len(answers) == len(cases)
    for case, answer in zip(cases, answers, strict=True):
        for term in ("BT-106", "BT-109", "BT-110", "BT-112", "BT-115"):
            assert D(answer["totals"][term]) == D(case["totals"][term] or 0), (case["source"], term)
        assert [D(line["net"]) for line in answer["lines"]] == [D(line["net"]) for line in case["lines"]]
        assert {(row["cat"], D(row["rate"]), D(row["tax"])) for row in answer["vat"]} == {
            (row["cat"], D(row["rate"] or 0), D(row["tax"])) for row in case["vat"]
        }


def test_figures_come_out_as_text_with_two_decimals(tmp_path: Path) -> None:
    [answer] = computed([a_case()], tmp_path)
    assert answer["totals"] == {
        "BT-106": "100.01",
        "BT-107": "0.00",
        "BT-108": "0.00",
        "BT-109": "100.01",
        "BT-110": "19.00",
        "BT-112": "119.01",
        "BT-113": "0.00",
        "BT-114": "0.00",
        "BT-115": "119.01",
    }
    assert answer["vat"] == [{"cat": "S", "rate": "19", "base": "100.01", "tax": "19.00"}]


def test_a_case_may_say_how_fine_its_currency_is(tmp_path: Path) -> None:
    [answer] = computed([a_case(currency="JPY", places=0)], tmp_path)
    assert (answer["totals"]["BT-110"], answer["totals"]["BT-115"]) == ("19", "119")


@pytest.mark.parametrize(
    "changes",
    [
        {"lines": [{"qty": 3.0, "price": "1", "cat": "S", "rate": "19"}]},
        {"lines": [{"qty": "three", "price": "1", "cat": "S", "rate": "19"}]},
        {"lines": [{"qty": "3", "price": "1", "cat": "S", "rate": "0"}]},
        {"lines": [{"price": "1"}]},
        {"totals": {"BT-113": "0.001"}},
    ],
)
def test_a_case_that_makes_no_sense_is_named(changes: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="case 2"):
        computed([a_case(), a_case(**changes)], tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "{}"])
def test_a_file_that_holds_no_cases_is_refused(text: str, tmp_path: Path) -> None:
    asked = tmp_path / "cases.json"
    asked.write_text(text)
    with pytest.raises(CommandError, match="cannot be read"):
        call_command("invoice_totals", asked, out=tmp_path / "totals.json")
