"""The demo: the whole job told on the console, the same each time, in a folder of its own."""

from __future__ import annotations

import datetime as dt
import os
import random
import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.conf import settings
from pypdf import PdfReader

from tests import make
from trimmer.management.commands.demo import own_environment, today_in
from trimmer.management.scenario.chute import Cow, look_at
from trimmer.management.scenario.clearing import HoldsSomethingElse, clear_database
from trimmer.management.scenario.valley import read_valley
from trimmer.models import BarnKind, HeadKind

PARTS = (
    "1. Who asks for a visit",
    "2. The week from",
    "3. What does not fit, and why",
    "4. The week is confirmed",
    "5. At the chute",
    "6. The rechecks it raises",
    "7. The invoice it becomes",
    "8. The payment",
)
TODAY = dt.date(2026, 3, 4)
DEMO_EMAIL = read_valley().business["email"]

SIGN_IN = """
import sys
from django.test import Client
for line in sys.stdin:
    email, password = line.split()
    browser = Client(headers={"host": "127.0.0.1"})
    browser.post("/accounts/login/", {"login": email, "password": password})
    print(email, browser.get("/").status_code)
"""
FOUND_AND_CLEAR = f"""
from django.db import connection
from trimmer.management.scenario.chute import Cow, look_at
from trimmer.management.scenario.clearing import clear_database
from trimmer.models import Business
Business.objects.create(name="Demo", email="{DEMO_EMAIL}")
clear_database(demo_email="{DEMO_EMAIL}")
print("left:", connection.introspection.table_names())
"""


def run(*arguments: str, folder: Path, database: str | None, given: str = "") -> subprocess.CompletedProcess[str]:
    """A command of manage.py as a process of its own, with its own folder and the database named, if any."""
    names = ("DATABASE_URL", "REDIS_URL", "TRIMROUND_DEMO")
    environment = {name: value for name, value in os.environ.items() if name not in names}
    environment |= {"TRIMROUND_VAR": str(folder)} | ({"DATABASE_URL": database} if database else {})
    return subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=settings.BASE_DIR,
        env=environment,
        input=given,
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
    )


def run_demo(folder: Path, database: str | None) -> str:
    """The story as printed on standard output."""
    done = run("demo", "--no-serve", "--today", TODAY.isoformat(), folder=folder, database=database)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout


@pytest.mark.slow
def test_the_demo_tells_the_whole_job_and_starts_clean_each_time(tmp_path: Path, fresh_database: str) -> None:
    database = fresh_database if "DATABASE_URL" in os.environ else None  # on SQLite: a file of the demo's own

    story = run_demo(tmp_path, database)

    assert [part for part in PARTS if part not in story] == []
    for state in ("draft", "open", "part paid", "overdue", "paid", "credited"):
        assert re.search(rf"[1-9]\d* {state}", story), state
    path = re.search(r"Its PDF lies in\s+(\S+)", story)
    assert path is not None
    text = "".join(page.extract_text() for page in PdfReader(path.group(1)).pages)
    assert Path(path.group(1)).stem in text
    assert any((tmp_path / "demo" / "mail").iterdir())
    assert not (tmp_path / "trimround.sqlite3").exists()
    people = re.findall(r"(\S+@\S+\.example) +(\S+-\S+)$", story[story.index("Sign in as") :], re.MULTILINE)
    assert people == [(person["email"], person["password"]) for person in read_valley().people.values()]
    given = "".join(f"{email} {password}\n" for email, password in people)
    signed_in = run("shell", "--no-imports", "-c", SIGN_IN, folder=tmp_path / "demo", database=database, given=given)
    assert signed_in.stdout.splitlines() == [f"{email} 200" for email, _password in people], signed_in.stderr

    assert run_demo(tmp_path, database) == story


@pytest.mark.slow
def test_a_database_the_demo_made_is_emptied(tmp_path: Path, fresh_database: str) -> None:
    run("migrate", folder=tmp_path, database=fresh_database)

    cleared = run("shell", "--no-imports", "-c", FOUND_AND_CLEAR, folder=tmp_path, database=fresh_database)

    assert cleared.stdout.strip() == "left: []", cleared.stderr


@pytest.mark.django_db
def test_a_database_with_a_real_business_is_left_alone() -> None:
    make.a_business(email=DEMO_EMAIL)
    make.a_business(email="office@real.test")

    with pytest.raises(HoldsSomethingElse, match="holds something that is not the demo's"):
        clear_database(demo_email=DEMO_EMAIL)


@pytest.mark.django_db
def test_a_database_with_people_and_no_business_is_left_alone() -> None:
    make.a_person()

    with pytest.raises(HoldsSomethingElse):
        clear_database(demo_email=DEMO_EMAIL)


def test_the_demo_sends_no_real_mail_and_leaves_the_brokers_of_others_alone(tmp_path: Path) -> None:
    given = {"EMAIL_HOST": "mail.real.test", "REDIS_URL": "redis://real.test", "LANG": "C"}

    own = own_environment(given, tmp_path, 8123)

    assert {"EMAIL_HOST", "REDIS_URL"} & own.keys() == set()
    assert (own["LANG"], own["SITE_URL"], own["TRIMROUND_VAR"]) == ("C", "http://127.0.0.1:8123", str(tmp_path))


def test_a_named_database_keeps_the_broker_named_beside_it(tmp_path: Path) -> None:
    given = {"DATABASE_URL": "postgresql://x", "REDIS_URL": "redis://x"}

    assert own_environment(given, tmp_path, 8123).items() >= given.items()


@pytest.mark.published
def test_lesions_at_the_chute_follow_the_published_shares() -> None:
    """Alberta Dairy Hoof Health Project, November 2012: 20,644 of 40,558 cows, 13,241 of 30,657 lesions DD."""
    lesions, chance = read_valley().lesions, random.Random(1)
    cow = Cow(HeadKind.COW, BarnKind.FREE_STALL, rechecks=(), withheld_until=make.NOW)

    looks = [look_at(cow, lesions, chance) for _ in range(6000)]

    found = [finding.lesion for look in looks for finding in look.findings]
    assert sum(bool(look.findings) for look in looks) / len(looks) == pytest.approx(20_644 / 40_558, abs=0.02)
    assert found.count("DD") / len(found) == pytest.approx(13_241 / 30_657, abs=0.03)
    assert found.count("SU") / len(found) == pytest.approx(5_284 / 30_657, abs=0.02)


@pytest.mark.parametrize(("hour", "day"), [(5, TODAY - dt.timedelta(days=1)), (9, TODAY)])
def test_a_day_begins_in_the_morning(hour: int, day: dt.date) -> None:
    assert today_in(read_valley(), now=dt.datetime(2026, 3, 4, hour, tzinfo=dt.UTC)) == day
