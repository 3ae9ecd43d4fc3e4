"""Django's own checks of a deployment that is served over HTTPS."""

import os
import re
import subprocess
import sys

from trimmer.embedded import BASE_DIR

LEFT_TO_THE_DEPLOYMENT = {
    "security.W005",  # strict transport for every other host of the domain is the domain owner's decision
    "security.W021",  # likewise the browsers' preload list
    "security.W008",  # the proxy in front sends plain HTTP to HTTPS; the health check inside stays plain
}


def test_a_deployment_over_https_draws_no_other_warning() -> None:
    around = {name: value for name, value in os.environ.items() if name != "DJANGO_ALLOW_ASYNC_UNSAFE"}
    env = {"SITE_URL": "https://trimround.invalid", "ALLOWED_HOSTS": "trimround.invalid", "DEBUG": "0"}

    checked = subprocess.run(
        [sys.executable, "manage.py", "check", "--deploy", "--fail-level", "WARNING"],
        cwd=BASE_DIR,
        env=around | env | {"SECRET_KEY": "".join(map(chr, range(33, 110)))},
        capture_output=True,
        text=True,
    )

    assert set(re.findall(r"\((\w+\.[A-Z]\d+)\)", checked.stderr)) == LEFT_TO_THE_DEPLOYMENT
