"""Addresses of the pages about prices, invoices and payments."""

from django.urls import URLPattern, URLResolver

from billing.views import bank, books, earnings, einvoices, invoices, payments, prices, reminders, sales_tax, trail

urlpatterns: list[URLPattern | URLResolver] = [
    *prices.urlpatterns,
    *invoices.urlpatterns,
    *einvoices.urlpatterns,
    *payments.urlpatterns,
    *bank.urlpatterns,
    *books.urlpatterns,
    *earnings.urlpatterns,
    *reminders.urlpatterns,
    *sales_tax.urlpatterns,
    *trail.urlpatterns,
]
