"""Prices, invoices and payments, for looking. The bytes of documents are not shown."""

from django.contrib import admin

from trimmer.admin_site import look_at

look_at(admin.site, "billing", without=("pdf", "content"))
