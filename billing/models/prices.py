"""Taxes, and what things cost."""

from __future__ import annotations

from decimal import Decimal
from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models import Business, BusinessQuerySet, Client, OwnedModel, choices_hold


class TaxCode(models.TextChoices):
    """EN 16931 VAT category codes (UNCL5305 subset)."""

    STANDARD = "S", _("S: taxed")
    ZERO = "Z", _("Z: zero rated")
    EXEMPT = "E", _("E: exempt")
    REVERSE_CHARGE = "AE", _("AE: reverse charge")
    NOT_SUBJECT = "O", _("O: not subject to tax")


class SalesTaxOn(models.TextChoices):
    """What is sold, as places tax it (billing.charges.sales_tax)."""

    WORK = "work", _("on work")
    GOODS = "goods", _("on goods")


class TaxCategory(OwnedModel):
    """A tax the business charges, as its accountant says. None is set by default: ask locally."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="tax_categories")
    name = models.CharField(_("name"), max_length=60)
    code = models.CharField(_("category"), max_length=2, choices=TaxCode.choices)
    rate = models.DecimalField(_("rate (%)"), max_digits=6, decimal_places=3, default=Decimal("0"))
    exemption_reason = models.CharField(_("text on the invoice"), max_length=300, blank=True)
    sales_tax = models.CharField(
        _("sales taxes of the place"),
        max_length=5,
        choices=SalesTaxOn.choices,
        blank=True,
        help_text=_("United States and Canada: rates come from the place of the farm, on the day of the visit."),
    )

    objects = BusinessQuerySet["TaxCategory"].as_manager()

    class Meta:
        verbose_name = _("tax category")
        verbose_name_plural = _("tax categories")
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["business", "name"], name="tax_category_name_is_used_once"),
            models.CheckConstraint(condition=choices_hold("code", TaxCode), name="tax_category_code_is_known"),
            models.CheckConstraint(
                condition=models.Q(code="S", rate__gt=0, rate__lte=100) | (~models.Q(code="S") & models.Q(rate=0)),
                name="only_taxed_category_has_a_rate",
            ),
            models.CheckConstraint(
                condition=~models.Q(code__in=["E", "AE", "O"]) | ~models.Q(exemption_reason=""),
                name="untaxed_category_has_its_text",
            ),
            models.CheckConstraint(
                condition=models.Q(sales_tax="") | models.Q(sales_tax__in=SalesTaxOn.values, code="Z"),
                name="sales_taxes_come_from_the_place",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Article(models.TextChoices):
    """What can have a price (billing.charges.prices)."""

    HEAD_COW = "head_cow", _("cow trimmed")
    HEAD_HEIFER = "head_heifer", _("heifer trimmed")
    HEAD_BULL = "head_bull", _("bull trimmed")
    HEAD_LAME = "head_lame", _("lame cow treated")
    HEAD_RECHECK = "head_recheck", _("recheck")
    BLOCK = "treatment_block", _("block")
    WRAP = "treatment_wrap", _("wrap")
    TOPICAL = "treatment_topical", _("topical product")
    LOOSE_HORN_REMOVED = "treatment_loose_horn_removed", _("loose horn removed")
    WALL_OPENED = "treatment_wall_opened", _("wall opened")
    REFERRAL = "treatment_referral", _("referral to the veterinarian")
    CALL_OUT = "call_out", _("call-out")
    SET_UP = "set_up", _("set-up")
    DISTANCE_KM = "distance_km", _("travel, per km")
    DISTANCE_MILE = "distance_mile", _("travel, per mile")
    HOUR = "hour", _("hour at the chute")
    MINIMUM = "minimum", _("minimum for a visit")
    LATE_CANCELLATION = "late_cancellation", _("visit cancelled late")


class PriceList(OwnedModel):
    """Prices with dates; with a client: an agreement that stands over the business's list."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="price_lists")
    client = models.ForeignKey(
        Client, models.PROTECT, null=True, blank=True, related_name="agreements", verbose_name=_("agreement with")
    )
    name = models.CharField(_("name"), max_length=80)
    valid_from = models.DateField(_("valid from"))
    valid_to = models.DateField(_("valid to"), null=True, blank=True)
    discount_percent = models.DecimalField(
        _("discount (%)"),
        max_digits=6,
        decimal_places=3,
        null=True,
        blank=True,
        help_text=_("Off all that the list prices on a visit, as a line of its own under the sum."),
    )
    discount_reason = models.CharField(_("why"), max_length=100, blank=True)
    free_recheck_days = models.PositiveSmallIntegerField(
        _("rechecks are free for (days)"),
        null=True,
        blank=True,
        help_text=_("From the day the recheck was raised. Free ones stand on the bill at 0.00."),
    )

    objects = BusinessQuerySet["PriceList"].as_manager()

    class Meta:
        verbose_name = _("price list")
        verbose_name_plural = _("price lists")
        ordering = ["client__name", "-valid_from"]
        constraints = [
            models.UniqueConstraint(fields=["business", "name"], name="price_list_name_is_used_once"),
            models.CheckConstraint(
                condition=models.Q(valid_to__isnull=True) | models.Q(valid_to__gte=models.F("valid_from")),
                name="price_list_ends_after_it_begins",
            ),
            models.CheckConstraint(
                condition=models.Q(discount_percent__isnull=True)
                | models.Q(discount_percent=0)
                | (models.Q(discount_percent__gt=0, discount_percent__lte=100) & ~models.Q(discount_reason="")),
                name="discount_of_a_list_says_why",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class PriceWay(models.TextChoices):
    """How the bands of a price are meant (billing.charges.prices)."""

    FLAT = "flat", _("one price")
    VOLUME = "volume", _("volume: all at the band reached")
    GRADUATED = "graduated", _("graduated: each at its own band")
    ZONE = "zone", _("zones: by the way from the base")


class Price(OwnedModel):
    """What one unit of an article costs, before tax."""

    business_path: ClassVar[str] = "price_list__business"

    price_list = models.ForeignKey(PriceList, models.CASCADE, related_name="prices")
    article = models.CharField(_("article"), max_length=40, choices=Article.choices)
    amount = models.DecimalField(_("price"), max_digits=12, decimal_places=4)
    tax_category = models.ForeignKey(TaxCategory, models.PROTECT, related_name="prices", verbose_name=_("tax category"))
    way = models.CharField(_("bands"), max_length=9, choices=PriceWay.choices, default=PriceWay.FLAT)

    objects = BusinessQuerySet["Price"].as_manager()

    class Meta:
        verbose_name = _("price")
        verbose_name_plural = _("prices")
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["price_list", "article"], name="article_has_one_price_in_a_list"),
            models.CheckConstraint(condition=models.Q(amount__gte=0), name="price_is_not_negative"),
            models.CheckConstraint(condition=choices_hold("article", Article), name="article_is_known"),
            models.CheckConstraint(condition=choices_hold("way", PriceWay), name="price_way_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.get_article_display()} {self.amount}"


class PriceBand(OwnedModel):
    """Above so many units (for zones: km or miles from the base) the price is another; below the first band it is the
    price's own amount."""

    business_path: ClassVar[str] = "price__price_list__business"

    price = models.ForeignKey(Price, models.CASCADE, related_name="bands")
    above = models.DecimalField(_("above"), max_digits=12, decimal_places=4)
    amount = models.DecimalField(_("price"), max_digits=12, decimal_places=4)

    objects = BusinessQuerySet["PriceBand"].as_manager()

    class Meta:
        verbose_name = _("price band")
        verbose_name_plural = _("price bands")
        ordering = ["price", "above"]
        constraints = [
            models.UniqueConstraint(fields=["price", "above"], name="price_band_begins_once"),
            models.CheckConstraint(condition=models.Q(above__gt=0), name="price_band_begins_above_nothing"),
            models.CheckConstraint(condition=models.Q(amount__gte=0), name="band_price_is_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.above} {self.amount}"
