"""The sheet of clients and farms: known by client number, name of the farm and name of the contact.

What the sheet does not name stays. Farms and contacts are added and changed, never taken away.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from trimmer.access import OFFICE, OWNER
from trimmer.errors import Refusal
from trimmer.models import AccessWindow, Business, Client, Contact, Farm, Weekday
from trimmer.services.clients import check_client
from trimmer.services.farms import ContactDetails, WindowDetails, check_farm
from trimmer.services.sheets.comparing import (
    STAYS,
    ByWord,
    Cells,
    Comparison,
    Fact,
    Sheet,
    fields_of,
    fixed,
    plain,
    row_saying,
    take,
    told_by,
    value,
    words,
)
from trimmer.services.sheets.kinds import SheetFacts, sheet_kind
from trimmer.sheets.layout import Row, rows_about, settled
from trimmer.sheets.layouts import CLIENTS_AND_FARMS
from trimmer.sheets.values import AccessHours
from trimmer.sheets.writing import RowValues

DEGREES: Final = Decimal("0.0000001")


def _place(column: str) -> Fact:
    def read(farm: Farm) -> Decimal | None:
        degrees = getattr(farm, column)
        return None if degrees is None else Decimal(repr(degrees)).quantize(DEGREES)

    return Fact(column, column, read, None, float)


CLIENT_FACTS: Final = (
    fixed("client_name", "name", plain),
    words("client_street", "street"),
    words("client_postcode", "postcode"),
    words("client_city", "city"),
    words("client_region", "region"),
    words("client_country", "country"),
    words("client_email", "email"),
    words("client_phone", "phone"),
    words("client_tax_id", "tax_id"),
    value("payment_days", "payment_days"),
    fixed("on_hold", "on_hold"),
    words("client_note", "note", lines=True),
)
FARM_FACTS: Final = (
    words("farm_street", "street"),
    words("farm_postcode", "postcode"),
    words("farm_city", "city"),
    words("farm_region", "region"),
    words("farm_country", "country"),
    _place("latitude"),
    _place("longitude"),
    fixed("barn", "barn"),
    fixed("milking", "milking"),
    fixed("dry", "dry"),
    fixed("heifers", "heifers"),
    fixed("health_tier", "health_tier", str, int),
    fixed("days_that_suit", "days_that_suit", lambda days: tuple(sorted(days)) or None, list),
    fixed("lock_up_hours", "lock_up_hours"),
    value("visit_interval_weeks", "visit_interval_weeks"),
    words("chute_kind_needed", "chute_kind_needed"),
    words("handling_notes", "handling_notes", lines=True),
    words("access_notes", "access_notes", lines=True),
)
CONTACT_FACTS: Final = (
    words("contact_phone", "phone"),
    words("contact_email", "email"),
    words("contact_job", "job"),
    # Nobody without an address is told, whatever was ticked.
    Fact("contact_told", "told_of_visits", lambda contact: contact.told_of_visits and bool(contact.email), STAYS),
)
EXTRA: Final = {"farms": ("access_hours",)}
"""What else is shown of a new row of a table, beside its facts."""
CLIENT_COLUMNS: Final = {fact.field: fact.column for fact in CLIENT_FACTS}
FARM_COLUMNS: Final = {fact.field: fact.column for fact in FARM_FACTS} | {
    "name": "farm_name",
    "access_windows": "access_hours",
    "contacts": "contact_told",
}


@sheet_kind("clients_and_farms", title=gettext_lazy("Clients and farms"), who=frozenset({OWNER, OFFICE}))
class ClientsAndFarms(SheetFacts):
    """Clients, their farms, and whom to call there."""

    layout = CLIENTS_AND_FARMS

    def compare(self, sheet: Sheet) -> Comparison:
        return _Clients(sheet)

    def rows(
        self, business: Business, *, first: dt.date | None = None, last: dt.date | None = None
    ) -> Iterator[RowValues]:
        """Archived clients and farms are left out. Of contacts with one name at a farm the first is told."""
        clients = Client.objects.of(business).current().order_by("number", "pk")
        for client in clients.prefetch_related("farms__access_windows", "farms__contacts"):
            said: dict[str, Any] = {"client_number": plain(client.number)} | told_by(CLIENT_FACTS, client)
            farms = [farm for farm in client.farms.all() if farm.archived_at is None]
            if not farms:
                yield said
            for farm in farms:
                of_farm = said | {"farm_name": plain(farm.name)} | told_by(FARM_FACTS, farm)
                of_farm["access_hours"] = _hours_of(farm) or None
                contacts = {plain(contact.name).casefold(): contact for contact in reversed(farm.contacts.all())}
                if not contacts:
                    yield of_farm
                for contact in reversed(contacts.values()):
                    yield of_farm | {"contact_name": plain(contact.name)} | told_by(CONTACT_FACTS, contact)


class _Clients(Comparison):
    def __init__(self, sheet: Sheet) -> None:
        super().__init__(sheet)
        if sheet.storing:
            # Whoever adds a client waits for this, as its number counts from the others.
            Business.objects.select_for_update(no_key=True).get(pk=sheet.business.pk)
        self.clients = self.table("clients")
        self.farms = self.table("farms")
        self.contacts = self.table("contacts")
        self._new: list[Client | Farm | Contact] = []
        self._changed: list[tuple[Client | Farm | Contact, list[str]]] = []
        self._hours: list[tuple[Farm, tuple[AccessHours, ...]]] = []
        stored = Client.objects.of(sheet.business).order_by("pk")
        self._known = ByWord(
            (client.number, client) for client in stored.prefetch_related("farms__access_windows", "farms__contacts")
        )
        for rows in rows_about(sheet.rows, ("client_number",)).values():
            self._compare_client(rows)

    def store(self) -> None:
        for kind in (Client, Farm, Contact):
            new: Any = [row for row in self._new if isinstance(row, kind)]
            kind.objects.bulk_create(new)
        for row, fields in self._changed:
            row.save(update_fields=fields)
        AccessWindow.objects.filter(farm__in=[farm.pk for farm, _hours in self._hours]).delete()
        AccessWindow.objects.bulk_create(
            AccessWindow(farm=farm, weekday=entry.weekday, opens=entry.opens, closes=entry.closes)
            for farm, hours in self._hours
            for entry in hours
        )

    def _compare_client(self, rows: list[Row]) -> None:
        sheet = self.sheet
        said = settled(rows, CLIENT_COLUMNS.values())
        client = self._known.find(rows[0].values["client_number"])
        is_new = client is None
        if client is None:
            client = Client(business=sheet.business, number=rows[0].values["client_number"])
        elif client.archived_at is not None:
            text = _("%(client)s is archived. Bring the client back first, or leave its rows out.")
            self.refuse(rows[0], "client_number", "client_is_archived", text, client=client)
            return
        changes = take(CLIENT_FACTS, client, said, sheet.given)
        if is_new or changes:
            try:
                check_client(client=client)
            except Refusal as refusal:
                self.refuse_as(rows, refusal, CLIENT_COLUMNS, "client_name")
        self._note(self.clients, client, rows[0], changes, CLIENT_FACTS, is_new=is_new)
        farms = ByWord(() if is_new else ((farm.name, farm) for farm in client.farms.all()))
        of_farms = rows_about((row for row in rows if row.values["farm_name"] is not None), ("farm_name",))
        for of_farm in of_farms.values():
            self._compare_farm(client, farms.find(of_farm[0].values["farm_name"]), of_farm)

    def _compare_farm(self, client: Client, farm: Farm | None, rows: list[Row]) -> None:
        said = settled(rows, [*(fact.column for fact in FARM_FACTS), "access_hours"])
        is_new = farm is None
        if farm is None:
            farm = Farm(client=client, name=rows[0].values["farm_name"])
        elif farm.archived_at is not None:
            text = _("%(farm)s is archived. Bring it back first, or leave its rows out.")
            self.refuse(rows[0], "farm_name", "farm_is_archived", text, farm=farm)
            return
        if is_new and said["days_that_suit"] is None and said["access_hours"]:
            farm.days_that_suit = sorted({entry.weekday for entry in said["access_hours"]})
        changes = take(FARM_FACTS, farm, said, self.sheet.given)
        before = () if is_new else _hours_of(farm)
        hours = before
        if "access_hours" in self.sheet.given:
            hours = self._suitable(farm, rows, said["access_hours"] or ())
        if hours != before:
            changes.append(("access_hours", before or None, hours or None))
            self._hours.append((farm, hours))
        contacts = self._compare_contacts(farm, rows, is_new=is_new)
        if is_new or changes or contacts:
            windows = [WindowDetails(weekday=one.weekday, opens=one.opens, closes=one.closes) for one in hours]
            try:
                check_farm(farm=farm, windows=windows, contacts=contacts)
            except Refusal as refusal:
                self.refuse_as(rows, refusal, FARM_COLUMNS, "farm_name")
        self._note(self.farms, farm, rows[0], changes, FARM_FACTS, is_new=is_new)

    def _suitable(self, farm: Farm, rows: Sequence[Row], hours: tuple[AccessHours, ...]) -> tuple[AccessHours, ...]:
        """The hours on days that suit; the others are passed over, as nobody comes on those days."""
        passed_over = sorted({entry.weekday for entry in hours} - set(farm.days_that_suit))
        if passed_over:
            days = ", ".join(str(Weekday(day).label) for day in passed_over)
            text = _("These days do not suit the farm, so their hours were passed over: %(days)s.")
            self.doubt(row_saying(rows, "access_hours"), "access_hours", "hours_on_unsuitable_day", text, days=days)
        return tuple(entry for entry in hours if entry.weekday in farm.days_that_suit)

    def _compare_contacts(self, farm: Farm, rows: Sequence[Row], *, is_new: bool) -> list[ContactDetails]:
        """New and changed contacts, for the farm's own check."""
        known = ByWord(() if is_new else ((contact.name, contact) for contact in farm.contacts.all()))
        told: list[ContactDetails] = []
        for row in rows:
            name = row.values["contact_name"]
            if name is None:
                continue
            contact = known.find(name)
            is_added = contact is None
            if contact is None:
                contact = Contact(farm=farm, name=name, told_of_visits=row.values["contact_email"] is not None)
            changes = take(CONTACT_FACTS, contact, row.values, self.sheet.given)
            if is_added or changes:
                told.append(ContactDetails(name=name, email=contact.email, told_of_visits=contact.told_of_visits))
            self._note(self.contacts, contact, row, changes, CONTACT_FACTS, is_new=is_added)
        return told

    def _note(
        self, table: Any, row: Client | Farm | Contact, of: Row, changes: Cells, facts: Sequence[Fact], *, is_new: bool
    ) -> None:
        if is_new:
            table.note_added(of, row.name, [*(fact.column for fact in facts), *EXTRA.get(table.name, ())])
            self._new.append(row)
        elif changes:
            table.note_changed(of, row.name, changes)
            self._changed.append((row, fields_of(facts, changes)))
        else:
            table.same += 1


def _hours_of(farm: Farm) -> tuple[AccessHours, ...]:
    """A stored farm's access hours, to the minute."""
    return tuple(
        sorted(
            AccessHours(window.weekday, _minute(window.opens), _minute(window.closes))
            for window in farm.access_windows.all()
        )
    )


def _minute(clock: dt.time) -> dt.time:
    return clock.replace(second=0, microsecond=0)
