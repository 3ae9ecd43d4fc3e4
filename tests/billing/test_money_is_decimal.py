"""No float comes near money, and no document is called what only an accountant can say it is."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.pure

BILLING = Path(__file__).parents[2] / "billing"
SOURCES = sorted(BILLING.rglob("*.py"))
FLOATS = {"float", "FloatField", "sqrt"}


def floats_of(tree: ast.AST) -> Iterator[int]:
    """Lines with a number written with a point, the name float, or a field of floats."""
    for node in ast.walk(tree):
        name = node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""
        number = node.value if isinstance(node, ast.Constant) else None
        if name in FLOATS or isinstance(number, float):
            yield node.lineno  # type: ignore[attr-defined]


def test_the_scan_sees_floats() -> None:
    tree = ast.parse("x = 0.5\ny = float(z)\nw = models.FloatField()\nv = Decimal('0.5')\n")
    assert sorted(floats_of(tree)) == [1, 2, 3]


def test_no_float_is_in_billing() -> None:
    assert len(SOURCES) > 40
    found = {
        f"{path.relative_to(BILLING)}:{line}"
        for path in SOURCES
        for line in floats_of(ast.parse(path.read_text(encoding="utf-8")))
    }
    assert found == set()


def test_nothing_is_called_what_it_may_not_be() -> None:
    """Whether an invoice is what the law asks is the accountant's to say; we name the rules that were asked."""
    word = "compl" + "iant"
    files = [
        path for path in BILLING.parent.rglob("*") if path.suffix in {".py", ".html", ".txt", ".typ", ".js", ".md"}
    ]
    ours = [path for path in files if not {".venv", ".git", "node_modules"} & set(path.parts)]
    assert len(ours) > 100
    assert [str(path) for path in ours if word in path.read_text(encoding="utf-8").lower()] == []
