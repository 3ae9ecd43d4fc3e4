"""Addresses of the pages about prices, invoices and payments."""

from django.urls import URLPattern, URLResolver

urlpatterns: list[URLPattern | URLResolver] = []
