"""Links that let somebody in without a password: kept as the hash of 32 random bytes, never as they are sent."""

from __future__ import annotations

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models.accounts import Business, User
from trimmer.models.clients import Client, Farm
from trimmer.models.scope import BusinessQuerySet, OwnedModel


class SignInLink(models.Model):
    """A link sent by e-mail that signs one person in, once and soon."""

    user = models.ForeignKey(User, models.CASCADE, related_name="sign_in_links")
    secret_hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField(_("made"))
    expires_at = models.DateTimeField(_("valid until"))
    used_at = models.DateTimeField(_("used"), null=True, blank=True)

    objects = models.Manager["SignInLink"]()

    class Meta:
        verbose_name = _("link to sign in")
        verbose_name_plural = _("links to sign in")
        indexes = [models.Index(fields=["user", "made_at"])]

    def __str__(self) -> str:
        return f"{self.user} {self.made_at:%Y-%m-%d %H:%M}"


class CalendarLink(OwnedModel):
    """The private address of one person's calendar in one place; making a new one changes it."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="+")
    user = models.ForeignKey(User, models.CASCADE, related_name="calendar_links")
    client = models.ForeignKey(Client, models.CASCADE, null=True, blank=True, related_name="+")
    secret_hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField(_("made"))

    objects = BusinessQuerySet["CalendarLink"].as_manager()

    class Meta:
        verbose_name = _("calendar address")
        verbose_name_plural = _("calendar addresses")
        constraints = [
            models.UniqueConstraint(
                fields=["business", "user", "client"], nulls_distinct=False, name="place_has_one_calendar_address"
            )
        ]

    def __str__(self) -> str:
        return f"{self.user} ({self.client or self.business})"


class VetLink(OwnedModel):
    """A link with which a herd's veterinarian reads the herd's report and records, until it is withdrawn."""

    business_path = "farm__client__business"
    client_path = "farm__client"

    farm = models.ForeignKey(Farm, models.CASCADE, related_name="vet_links")
    name = models.CharField(_("veterinarian"), max_length=120)
    secret_hash = models.CharField(max_length=64, unique=True, editable=False)
    given_by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="+")
    given_at = models.DateTimeField(_("given"))
    withdrawn_at = models.DateTimeField(_("withdrawn"), null=True, blank=True)
    opened_at = models.DateTimeField(_("last opened"), null=True, blank=True)

    objects = BusinessQuerySet["VetLink"].as_manager()

    class Meta:
        verbose_name = _("link for the veterinarian")
        verbose_name_plural = _("links for veterinarians")
        ordering = ["-given_at", "-pk"]

    def __str__(self) -> str:
        return self.name
