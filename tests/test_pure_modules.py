"""Arithmetic knows no Django: each pure module is imported by a fresh Python, which must not have met Django then."""

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.pure

ROOT = Path(__file__).resolve().parent.parent

SINGLE = (
    "trimmer.lesions",
    "trimmer.locomotion",
    "trimmer.identification",
    "trimmer.rechecks",
    "trimmer.cautions",
    "trimmer.distance",
    "scheduling.frequency",
)
PACKAGES = ("scheduling/planner", "scheduling/pace", "billing/charges")


def modules_of(package: str) -> list[str]:
    """Every module below a folder of the tree, found in the folder; none while the folder is not there."""
    paths = sorted((ROOT / package).rglob("*.py"))
    return [".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__") for path in paths]


MODULES = [*SINGLE, *(module for package in PACKAGES for module in modules_of(package))]


def test_the_packages_of_arithmetic_are_found() -> None:
    assert modules_of("scheduling/planner")
    assert modules_of("billing/charges")


@pytest.mark.parametrize("module", MODULES)
def test_a_pure_module_loads_no_django(module: str) -> None:
    code = f"import sys, {module}; sys.exit('django' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr or f"{module} loads Django"
