"""The first business of a deployment, or another one."""

from argparse import ArgumentParser
from typing import Any

from django.core.management import BaseCommand, CommandError
from django.utils import timezone
from django.utils.translation import gettext as _

from trimmer.errors import Refusal
from trimmer.models import Membership, Role, Units
from trimmer.services.businesses import found_business
from trimmer.services.people import password_link

DETAILS = ("name", "country", "currency", "time_zone", "units", "language", "owner_email", "owner_name")


class Command(BaseCommand):
    help = "Found a trimming business and say how its owner signs in for the first time."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="what farms call the business")
        parser.add_argument("--owner-email", required=True)
        parser.add_argument("--owner-name", default="")
        parser.add_argument("--country", required=True, help="two letters of ISO 3166, such as IE")
        parser.add_argument("--currency", required=True, help="three letters of ISO 4217, such as EUR")
        parser.add_argument("--time-zone", required=True, help="such as Europe/Dublin")
        parser.add_argument("--units", default=Units.METRIC, choices=Units.values)
        parser.add_argument("--language", default="en", help="such as en-IE (default: en)")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            business = found_business(now=timezone.now(), **{name: options[name] for name in DETAILS})
        except Refusal as refusal:
            raise CommandError(str(refusal)) from refusal
        owner = Membership.objects.of(business).select_related("user").get(role=Role.OWNER).user
        self.stdout.write(
            _("%(business)s is founded. Its owner is %(email)s.") % {"business": business, "email": owner.email}
        )
        if not owner.has_usable_password():
            self.stdout.write(_("To choose a password, open %(link)s") % {"link": password_link(owner)})
