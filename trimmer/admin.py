"""The facts, for looking. Hashes, passwords and answers kept for repeated writes are not shown."""

from django.contrib import admin

from trimmer.admin_site import look_at

look_at(admin.site, "trimmer", without=("password", "secret_hash", "body", "fingerprint", "content"))
