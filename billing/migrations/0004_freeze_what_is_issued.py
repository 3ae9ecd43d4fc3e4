from django.db import migrations

from billing.frozen_rows import lay, lift

TABLES = {
    "parts": ("billing_invoiceline", "billing_invoicetax"),
    "files": ("billing_invoicefile",),
    "billed": (),
    "counters": ("billing_invoiceseries",),
}


def forwards(apps, schema_editor):
    lay(schema_editor.connection, **TABLES)


def backwards(apps, schema_editor):
    lift(schema_editor.connection, **TABLES)


class Migration(migrations.Migration):

    dependencies = [
        ('billing', '0003_what_an_issued_document_keeps'),
    ]

    operations = [migrations.RunPython(forwards, backwards, elidable=False)]
