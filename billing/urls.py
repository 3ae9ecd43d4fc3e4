"""Addresses of the pages about prices, invoices and payments."""

from django.urls import URLPattern, URLResolver

from billing.views import bank, books, invoices, payments, prices, reminders

urlpatterns: list[URLPattern | URLResolver] = [
    *prices.urlpatterns,
    *invoices.urlpatterns,
    *payments.urlpatterns,
    *bank.urlpatterns,
    *books.urlpatterns,
    *reminders.urlpatterns,
]
