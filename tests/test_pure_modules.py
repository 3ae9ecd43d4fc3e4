"""The arithmetic can be imported without Django."""

import subprocess
import sys
import tomllib

import pytest

from trimmer.embedded import BASE_DIR


def pure_modules() -> list[str]:
    """The modules the import contract of pyproject.toml names."""
    contracts = tomllib.loads((BASE_DIR / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    (named,) = [each["source_modules"] for each in contracts if each["name"].startswith("The arithmetic")]
    return sorted(named)


@pytest.mark.parametrize("module", pure_modules())
def test_a_pure_module_loads_no_django(module: str) -> None:
    # The contract sees imports between modules, not what a package's __init__ brings along in a fresh process.
    code = f"import sys, {module}; sys.exit('django' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", code], cwd=BASE_DIR).returncode == 0
