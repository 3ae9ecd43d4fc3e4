"""Addresses of the API about prices, invoices and payments."""

from django.urls import URLPattern, URLResolver

from billing.api import bank, books, earnings, invoices, payments, prices, reminders, sales_tax, trail

urlpatterns: list[URLPattern | URLResolver] = [
    *prices.urlpatterns,
    *invoices.urlpatterns,
    *payments.urlpatterns,
    *bank.urlpatterns,
    *books.urlpatterns,
    *earnings.urlpatterns,
    *reminders.urlpatterns,
    *sales_tax.urlpatterns,
    *trail.urlpatterns,
]
