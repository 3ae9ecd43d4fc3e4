"""A database for the demo: its own, or one given that is empty or was made by the demo; it starts empty each time."""

from __future__ import annotations

import shutil
from pathlib import Path

from django.db import connection
from django.utils.translation import gettext_lazy as _

from trimmer.errors import Refusal
from trimmer.models import Business, User

FOLDERS = ("mail", "invoices", "log")


class HoldsSomethingElse(Refusal):
    code = "database_holds_something_else"
    message = _(
        "The database of DATABASE_URL holds something that is not the demo's. Name an empty one, or leave DATABASE_URL "
        "out: the demo then has a database of its own."
    )


def clear_folder(folder: Path) -> None:
    """Take away what an earlier demo left in its own folder: database, e-mails, documents, logs."""
    connection.close()
    for left in folder.glob("trimround.sqlite3*"):
        left.unlink()
    for name in FOLDERS:
        shutil.rmtree(folder / name, ignore_errors=True)
        (folder / name).mkdir(parents=True)


def clear_database(*, demo_email: str) -> None:
    """Empty the connected database if it is empty already or was made by the demo. Raises HoldsSomethingElse.

    The demo is known by the e-mail of its business: `.example` addresses belong to nobody (RFC 2606).
    """
    tables = set(connection.introspection.table_names())
    if not tables:
        return
    if Business._meta.db_table not in tables or not _only_demo(demo_email):
        raise HoldsSomethingElse
    with connection.constraint_checks_disabled(), connection.cursor() as cursor:
        # Not `flush`: the database lets nobody delete an issued invoice, but its tables may go.
        names = [connection.ops.quote_name(table) for table in sorted(tables)]
        if connection.vendor == "postgresql":
            cursor.execute(f"DROP TABLE {', '.join(names)} CASCADE")
        else:
            for name in names:
                cursor.execute(f"DROP TABLE {name}")


def _only_demo(demo_email: str) -> bool:
    businesses = set(Business.objects.values_list("email", flat=True))
    return businesses == {demo_email} or (not businesses and not User.objects.exists())
