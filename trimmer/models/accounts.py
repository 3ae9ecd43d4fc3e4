"""Businesses and people: who works here, and who belongs to which farm."""

from __future__ import annotations

from typing import Any, ClassVar

from django.conf import settings
from django.contrib.auth.models import AbstractBaseUser, BaseUserManager, PermissionsMixin
from django.core.validators import RegexValidator
from django.db import models
from django.db.models.functions import Lower
from django.utils.translation import get_language
from django.utils.translation import gettext_lazy as _

from trimmer.models.scope import BusinessQuerySet, OwnedModel, choices_hold
from trimmer.showing import show_address


class UserManager(BaseUserManager["User"]):
    """People are known by their e-mail address."""

    use_in_migrations = True

    def create_user(self, email: str, password: str | None = None, **fields: Any) -> User:
        """A person with an (unusable unless given) password."""
        user = self.model(email=self.normalize_email(email).lower(), **fields)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> User:
        """A person who may look into the admin."""
        return self.create_user(email, password, is_staff=True, is_superuser=True, **fields)


class User(AbstractBaseUser, PermissionsMixin):
    """A person, signing in by e-mail."""

    email = models.EmailField(_("e-mail"), unique=True)
    name = models.CharField(_("name"), max_length=120, blank=True)
    is_staff = models.BooleanField(_("may look into the admin"), default=False)
    is_active = models.BooleanField(_("active"), default=True)
    joined_at = models.DateTimeField(_("joined"), auto_now_add=True)

    objects = UserManager()

    USERNAME_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = []

    class Meta:
        verbose_name = _("person")
        verbose_name_plural = _("people")
        constraints = [models.UniqueConstraint(Lower("email"), name="email_is_used_once_whatever_its_case")]

    def __str__(self) -> str:
        return self.name or self.email


class Units(models.TextChoices):
    METRIC = "metric", _("metric (km)")
    US = "us", _("US customary (miles)")


class Paper(models.TextChoices):
    A4 = "a4", _("A4")
    LETTER = "us-letter", _("US letter")


COUNTRY = RegexValidator(r"^[A-Z]{2}$", _("Give the two-letter country code (ISO 3166), such as GB, US or AT."))
CURRENCY = RegexValidator(r"^[A-Z]{3}$", _("Give the three-letter currency code (ISO 4217), such as EUR or USD."))


class PostalAddress(models.Model):
    """A postal address, in the order people write it."""

    street = models.CharField(_("street"), max_length=200, blank=True)
    postcode = models.CharField(_("postcode"), max_length=20, blank=True)
    city = models.CharField(_("town"), max_length=100, blank=True)
    region = models.CharField(_("region or state"), max_length=100, blank=True)
    country = models.CharField(_("country"), max_length=2, blank=True, validators=[COUNTRY])

    class Meta:
        abstract = True

    def address_lines(self) -> list[str]:
        """The address as lines of text, without the empty ones, in the language in force."""
        return show_address(
            street=self.street,
            postcode=self.postcode,
            city=self.city,
            region=self.region,
            country=self.country,
            language=get_language() or settings.LANGUAGE_CODE,
        )


class Business(PostalAddress):
    """A trimming business. Nothing crosses from one to another."""

    name = models.CharField(_("name"), max_length=120)
    email = models.EmailField(_("e-mail"), blank=True)
    phone = models.CharField(_("phone"), max_length=40, blank=True)
    currency = models.CharField(_("currency"), max_length=3, default="EUR", validators=[CURRENCY])
    time_zone = models.CharField(_("time zone"), max_length=60, default="UTC")
    units = models.CharField(_("units"), max_length=6, choices=Units.choices, default=Units.METRIC)
    language = models.CharField(_("language"), max_length=20, default="en", help_text=_("Such as en-GB, en-US, de-AT."))
    tax_id = models.CharField(_("tax registration (VAT id)"), max_length=40, blank=True)
    tax_number = models.CharField(_("tax number"), max_length=40, blank=True)
    register_number = models.CharField(_("company register number"), max_length=40, blank=True)
    bank_name = models.CharField(_("bank"), max_length=80, blank=True)
    iban = models.CharField(_("IBAN or account"), max_length=42, blank=True)
    bic = models.CharField(_("BIC or routing number"), max_length=20, blank=True)
    payment_days = models.PositiveSmallIntegerField(_("days to pay"), default=30)
    paper = models.CharField(_("paper"), max_length=10, choices=Paper.choices, default=Paper.A4)
    invoice_prefix = models.CharField(_("letters before invoice numbers"), max_length=10, blank=True)
    invoice_footer = models.TextField(_("text at the foot of invoices"), blank=True)

    objects = models.Manager["Business"]()

    class Meta:
        verbose_name = _("business")
        verbose_name_plural = _("businesses")
        constraints = [models.CheckConstraint(condition=choices_hold("units", Units), name="business_units_are_known")]

    def __str__(self) -> str:
        return self.name


class Base(OwnedModel):
    """Where a crew starts and ends its day."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="bases")
    name = models.CharField(_("name"), max_length=80)
    latitude = models.FloatField(_("latitude"))
    longitude = models.FloatField(_("longitude"))

    objects = BusinessQuerySet["Base"].as_manager()

    class Meta:
        verbose_name = _("base")
        verbose_name_plural = _("bases")
        constraints = [
            models.UniqueConstraint(fields=["business", "name"], name="base_name_is_used_once"),
            models.CheckConstraint(
                condition=models.Q(latitude__range=(-90, 90), longitude__range=(-180, 180)),
                name="base_lies_on_the_globe",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    OWNER = "owner", _("owner")
    TRIMMER = "trimmer", _("trimmer")
    OFFICE = "office", _("office")


class Membership(OwnedModel):
    """A person's place in a business."""

    user = models.ForeignKey(User, models.CASCADE, related_name="memberships")
    business = models.ForeignKey(Business, models.CASCADE, related_name="memberships")
    role = models.CharField(_("role"), max_length=10, choices=Role.choices)

    objects = BusinessQuerySet["Membership"].as_manager()

    class Meta:
        verbose_name = _("member")
        verbose_name_plural = _("members")
        constraints = [
            models.UniqueConstraint(fields=["user", "business"], name="person_has_one_role_in_a_business"),
            models.CheckConstraint(condition=choices_hold("role", Role), name="membership_role_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.user} ({self.get_role_display()})"


class FarmPerson(OwnedModel):
    """A person of one client's farms."""

    business_path = "client__business"
    client_path = "client"

    user = models.ForeignKey(User, models.CASCADE, related_name="farm_places")
    client = models.ForeignKey("trimmer.Client", models.CASCADE, related_name="people")
    may_ask = models.BooleanField(_("may ask for visits"), default=True)
    may_see_invoices = models.BooleanField(_("may see invoices"), default=False)

    objects = BusinessQuerySet["FarmPerson"].as_manager()

    class Meta:
        verbose_name = _("farm person")
        verbose_name_plural = _("farm people")
        constraints = [models.UniqueConstraint(fields=["user", "client"], name="person_stands_once_at_a_client")]

    def __str__(self) -> str:
        return f"{self.user} ({self.client})"


class Invitation(OwnedModel):
    """A link sent by e-mail that lets one person in. Only the hash of its secret is kept."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="invitations")
    email = models.EmailField(_("e-mail"))
    role = models.CharField(_("role"), max_length=10, choices=Role.choices, blank=True)
    client = models.ForeignKey("trimmer.Client", models.CASCADE, null=True, blank=True, related_name="invitations")
    may_ask = models.BooleanField(_("may ask for visits"), default=True)
    may_see_invoices = models.BooleanField(_("may see invoices"), default=False)
    secret_hash = models.CharField(max_length=64, unique=True, editable=False)
    invited_by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="+")
    sent_at = models.DateTimeField(_("sent"))
    expires_at = models.DateTimeField(_("valid until"))
    accepted_at = models.DateTimeField(_("accepted"), null=True, blank=True)

    objects = BusinessQuerySet["Invitation"].as_manager()

    class Meta:
        verbose_name = _("invitation")
        verbose_name_plural = _("invitations")
        constraints = [
            models.CheckConstraint(
                condition=(
                    models.Q(role="", client__isnull=False) | (~models.Q(role="") & models.Q(client__isnull=True))
                ),
                name="invitation_is_for_a_role_or_a_client",
            )
        ]

    def __str__(self) -> str:
        return self.email


class ChuteKind(models.TextChoices):
    STAND_UP = "stand_up", _("stand-up chute")
    TILT_TABLE = "tilt_table", _("tilt table")


class Crew(OwnedModel):
    """The people and the chute that travel together in one day."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="crews")
    name = models.CharField(_("name"), max_length=80)
    base = models.ForeignKey(Base, models.PROTECT, related_name="crews", verbose_name=_("base"))
    members = models.ManyToManyField(User, related_name="crews", blank=True, verbose_name=_("members"))
    chute_kind = models.CharField(_("chute"), max_length=12, choices=ChuteKind.choices, default=ChuteKind.STAND_UP)
    longest_day = models.PositiveSmallIntegerField(
        _("longest day (minutes)"), default=600, help_text=_("From leaving base to being back.")
    )
    active = models.BooleanField(_("goes out"), default=True)

    objects = BusinessQuerySet["Crew"].as_manager()

    class Meta:
        verbose_name = _("crew")
        verbose_name_plural = _("crews")
        constraints = [
            models.UniqueConstraint(fields=["business", "name"], name="crew_name_is_used_once"),
            models.CheckConstraint(
                condition=models.Q(longest_day__range=(60, 1440)), name="longest_day_is_between_1_and_24_hours"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Weekday(models.IntegerChoices):
    MONDAY = 0, _("Monday")
    TUESDAY = 1, _("Tuesday")
    WEDNESDAY = 2, _("Wednesday")
    THURSDAY = 3, _("Thursday")
    FRIDAY = 4, _("Friday")
    SATURDAY = 5, _("Saturday")
    SUNDAY = 6, _("Sunday")


class WorkingHours(OwnedModel):
    """A weekday on which a crew goes out: not before, back by (local clock)."""

    business_path = "crew__business"

    crew = models.ForeignKey(Crew, models.CASCADE, related_name="hours")
    weekday = models.PositiveSmallIntegerField(_("weekday"), choices=Weekday.choices)
    leave_from = models.TimeField(_("leaves from"))
    back_by = models.TimeField(_("back by"))

    objects = BusinessQuerySet["WorkingHours"].as_manager()

    class Meta:
        verbose_name = _("working hours")
        verbose_name_plural = _("working hours")
        ordering = ["weekday"]
        constraints = [
            models.UniqueConstraint(fields=["crew", "weekday"], name="crew_has_one_working_day_a_weekday"),
            models.CheckConstraint(condition=models.Q(weekday__lte=6), name="working_weekday_is_0_to_6"),
            models.CheckConstraint(
                condition=models.Q(back_by__gt=models.F("leave_from")), name="working_day_ends_after_it_begins"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_weekday_display()} {self.leave_from:%H:%M}-{self.back_by:%H:%M}"


class DaysOff(OwnedModel):
    """Days on which a crew does not go out, first to last, both included."""

    business_path = "crew__business"

    crew = models.ForeignKey(Crew, models.CASCADE, related_name="days_off")
    first = models.DateField(_("first day"))
    last = models.DateField(_("last day"))
    note = models.CharField(_("note"), max_length=200, blank=True)

    objects = BusinessQuerySet["DaysOff"].as_manager()

    class Meta:
        verbose_name = _("days off")
        verbose_name_plural = _("days off")
        ordering = ["first"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(last__gte=models.F("first")), name="days_off_end_after_they_begin"
            )
        ]

    def __str__(self) -> str:
        return f"{self.first} - {self.last}"


class ApiToken(OwnedModel):
    """A secret with which a program acts as one person in one business. Only its hash is kept."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="+")
    user = models.ForeignKey(User, models.CASCADE, related_name="api_tokens")
    name = models.CharField(_("name"), max_length=80)
    secret_hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField(_("made"))
    withdrawn_at = models.DateTimeField(_("withdrawn"), null=True, blank=True)

    objects = BusinessQuerySet["ApiToken"].as_manager()

    class Meta:
        verbose_name = _("API token")
        verbose_name_plural = _("API tokens")

    def __str__(self) -> str:
        return self.name
