"""Sales taxes of places, as the business is told to charge them, and certificates that free a client from them."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from billing.models.amounts import AmountField
from billing.models.invoices import Invoice
from trimmer.models import Business, BusinessQuerySet, Client, Farm, OwnedModel, choices_hold


class SalesTaxRounding(models.TextChoices):
    """What is rounded (billing.charges.sales_tax)."""

    EACH = "each", _("each tax of the invoice by itself")
    TOGETHER = "together", _("all taxes of the invoice together")
    LINE = "line", _("the taxes of each line")


class SalesTaxSettings(OwnedModel):
    """How a business rounds its sales taxes. Ask locally."""

    business = models.OneToOneField(Business, models.CASCADE, related_name="sales_tax_settings")
    rounding = models.CharField(
        _("rounded is"), max_length=8, choices=SalesTaxRounding.choices, default=SalesTaxRounding.EACH
    )

    objects = BusinessQuerySet["SalesTaxSettings"].as_manager()

    class Meta:
        verbose_name = _("sales tax settings")
        verbose_name_plural = _("sales tax settings")
        constraints = [
            models.CheckConstraint(condition=choices_hold("rounding", SalesTaxRounding), name="sales_tax_is_rounded")
        ]

    def __str__(self) -> str:
        return str(self.business)


class SalesTaxPlace(OwnedModel):
    """Where work is done, as far as sales taxes go: a county, a city, a province."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="sales_tax_places")
    name = models.CharField(_("name"), max_length=80)

    objects = BusinessQuerySet["SalesTaxPlace"].as_manager()

    class Meta:
        verbose_name = _("place of sales taxes")
        verbose_name_plural = _("places of sales taxes")
        ordering = ["name"]
        constraints = [models.UniqueConstraint(fields=["business", "name"], name="sales_tax_place_name_is_used_once")]

    def __str__(self) -> str:
        return self.name


class SalesTaxRate(OwnedModel):
    """What one authority takes in a place (per cent), from a day to a day, both included."""

    business_path: ClassVar[str] = "place__business"

    place = models.ForeignKey(SalesTaxPlace, models.CASCADE, related_name="rates")
    authority = models.CharField(_("tax, as on the invoice"), max_length=60)
    rate = models.DecimalField(_("rate (%)"), max_digits=6, decimal_places=3)
    valid_from = models.DateField(_("from"))
    valid_to = models.DateField(_("to"), null=True, blank=True)
    on_work = models.BooleanField(_("on work"), default=True)
    on_goods = models.BooleanField(_("on goods"), default=True)

    objects = BusinessQuerySet["SalesTaxRate"].as_manager()

    class Meta:
        verbose_name = _("sales tax rate")
        verbose_name_plural = _("sales tax rates")
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(rate__gt=0, rate__lte=100), name="sales_tax_rate_is_a_rate"),
            models.CheckConstraint(
                condition=models.Q(valid_to__isnull=True) | models.Q(valid_to__gte=models.F("valid_from")),
                name="sales_tax_rate_ends_after_it_begins",
            ),
            models.CheckConstraint(
                condition=models.Q(on_work=True) | models.Q(on_goods=True), name="sales_tax_rate_is_of_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.authority} {self.rate}"


class FarmSalesTax(OwnedModel):
    """In which place a farm lies."""

    business_path: ClassVar[str] = "place__business"

    farm = models.OneToOneField(Farm, models.CASCADE, related_name="sales_tax")
    place = models.ForeignKey(SalesTaxPlace, models.PROTECT, related_name="farms", verbose_name=_("place"))

    objects = BusinessQuerySet["FarmSalesTax"].as_manager()

    class Meta:
        verbose_name = _("place of a farm for sales taxes")
        verbose_name_plural = _("places of farms for sales taxes")

    def __str__(self) -> str:
        return f"{self.farm}: {self.place}"


class ExemptionCertificate(OwnedModel):
    """A client's certificate: from which taxes it frees, of what, and how long. Whether it holds, others say."""

    business_path: ClassVar[str] = "client__business"
    client_path: ClassVar[str] = "client"

    client = models.ForeignKey(Client, models.PROTECT, related_name="exemption_certificates", verbose_name=_("client"))
    number = models.CharField(_("number"), max_length=60)
    valid_from = models.DateField(_("valid from"))
    valid_to = models.DateField(_("valid to"), null=True, blank=True)
    authorities = models.JSONField(_("only from these taxes"), default=list, blank=True)
    on_work = models.BooleanField(_("on work"), default=True)
    on_goods = models.BooleanField(_("on goods"), default=True)

    objects = BusinessQuerySet["ExemptionCertificate"].as_manager()

    class Meta:
        verbose_name = _("exemption certificate")
        verbose_name_plural = _("exemption certificates")
        ordering = ["client__name", "-valid_from", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["client", "number", "valid_from"], name="certificate_is_kept_once"),
            models.CheckConstraint(condition=~models.Q(number=""), name="certificate_has_its_number"),
            models.CheckConstraint(
                condition=models.Q(valid_to__isnull=True) | models.Q(valid_to__gte=models.F("valid_from")),
                name="certificate_ends_after_it_begins",
            ),
            models.CheckConstraint(
                condition=models.Q(on_work=True) | models.Q(on_goods=True), name="certificate_is_of_something"
            ),
        ]

    def __str__(self) -> str:
        return self.number


class InvoiceSalesTax(OwnedModel):
    """What one authority takes of a document. Its tax groups hold the same sums by category and rate."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="sales_taxes")
    authority = models.CharField(_("tax"), max_length=60)
    rate = models.DecimalField(_("rate (%)"), max_digits=6, decimal_places=3)
    base = AmountField(_("base"))
    tax = AmountField(_("tax"))

    objects = BusinessQuerySet["InvoiceSalesTax"].as_manager()

    class Meta:
        verbose_name = _("sales tax of an invoice")
        verbose_name_plural = _("sales taxes of invoices")
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["invoice", "authority", "rate"], name="sales_tax_stands_once_on_an_invoice")
        ]

    def __str__(self) -> str:
        return f"{self.authority} {self.rate}"
