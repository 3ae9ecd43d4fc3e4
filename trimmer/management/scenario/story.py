"""The story that the demo prints: who asked, the week, what did not fit, a visit, its rechecks, its bill."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from decimal import Decimal
from pathlib import Path
from textwrap import TextWrapper, fill

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from billing.models import Invoice, Payment
from billing.queries import ageing_of, invoice_standing, with_standing
from billing.queries.balances import Standing
from scheduling.board import BoardRound, BoardStop, board_of_proposal
from scheduling.drives import how_reckoned
from scheduling.models import ProposedWeek
from scheduling.pace_words import estimate_words
from scheduling.queries import asks_of_week
from scheduling.reasons import why_left_out
from scheduling.services.pace import estimate_visit
from scheduling.services.travel import ways
from scheduling.travel.matrix import ROADS
from scheduling.travel.rig import USUAL_RIG
from trimmer import showing, wording
from trimmer.distance import haversine_metres
from trimmer.management.scenario.founding import Ground
from trimmer.management.scenario.morning import Bill
from trimmer.models import (
    BlockKind,
    ChuteRecord,
    Claw,
    DaysOff,
    Farm,
    Finding,
    Foot,
    HeadKind,
    SentMessage,
    Treatment,
    Urgency,
    Visit,
    VisitRequest,
)

WEEK = dt.timedelta(weeks=1)
NEIGHBOURS = ("Tobernashee", "Lisnarroo")
"""Two farms that face each other over the river."""

type Say = Callable[[str], None]


class Story:
    """Tells chapter by chapter. All in the language, zone, units and currency of the business."""

    def __init__(self, ground: Ground, say: Say) -> None:
        self.ground, self.say = ground, say
        self.business = ground.business
        self.language = ground.business.language
        self._chapters = 0

    # The valley

    def opening(self) -> None:
        """Who this is about."""
        farms = Farm.objects.of(self.business)
        herds = [farm.milking for farm in farms]
        done = Visit.objects.of(self.business).done()
        self.say(_("%(business)s, an invented business in an invented valley") % {"business": self.business})
        self.say("=" * 72)
        self._tell(
            _(
                "%(day)s. %(crews)s crews look after %(farms)s farms of %(clients)s clients, with %(least)s to "
                "%(most)s cows each. Since %(first)s they were on %(visits)s visits and recorded %(records)s animals "
                "at the chute."
            )
            % {
                "day": showing.show_day(self.ground.today, self.language),
                "crews": len(self.ground.crews),
                "farms": len(herds),
                "clients": len(self.ground.clients),
                "least": self._number(min(herds)),
                "most": self._number(max(herds)),
                "first": showing.show_day(self.ground.first_day, self.language, weekday=False),
                "visits": done.count(),
                "records": self._number(ChuteRecord.objects.of(self.business).count()),
            }
        )

    # The week

    def asked(self, requests: Iterable[VisitRequest], agreed: Visit) -> None:
        """The requests that wait, and what comes due without asking."""
        self._chapter(_("Who asks for a visit"))
        for request in requests:
            self._line(
                _("%(farm)s, %(day)s %(via)s: %(head)s%(urgency)s")
                % {
                    "farm": request.farm.name,
                    "day": showing.show_day(self._local(request.asked_at).date(), self.language, year=False),
                    "via": request.get_asked_via_display(),
                    "head": _head({row.kind: row.count for row in request.head.all()}),
                    "urgency": self._urgency(request),
                }
            )
            for cow in request.lame_animals.all():
                score = wording.score_with_scale(cow.score, cow.scale)
                note = f". {cow.note}" if cow.note else ""
                self._line(_("cow %(number)s, %(score)s") % {"number": cow.number, "score": score} + note, indent=6)
            if request.note:
                self._line(f"“{request.note}”", indent=6)
        asks = asks_of_week(self.business, monday=self.ground.planned_monday, today=self.ground.today)
        standing = [ask.farm.name for ask in asks if ask.reason == "standing"]
        rechecks = sum(ask.head.get(HeadKind.RECHECK, 0) for ask in asks)
        self._tell(
            _(
                "Nobody has to ask for these: the standing arrangements of %(farms)s come due, and %(rechecks)s "
                "animals at %(places)s farms are to be looked at again. %(agreed)s is booked already for %(day)s."
            )
            % {
                "farms": ", ".join(standing),
                "rechecks": rechecks,
                "places": sum(1 for ask in asks if ask.head.get(HeadKind.RECHECK)),
                "agreed": agreed.farm.name,
                "day": showing.show_day(agreed.date, self.language, year=False),
            }
        )

    def pace(self, requests: Iterable[VisitRequest]) -> None:
        """How long the visit for most cows will take, by what was recorded."""
        asked = {request: {row.kind: row.count for row in request.head.all()} for request in requests}
        request = max(asked, key=lambda one: (asked[one].get(HeadKind.COW.value, 0), -len(asked[one]), -one.pk))
        said = estimate_visit(farm=request.farm, head=asked[request])
        self._tell(
            _("%(farm)s will take: %(estimate)s. The pace was learned last night from %(visits)s visits.")
            % {
                "farm": request.farm.name,
                "estimate": estimate_words(said, self.language),
                "visits": said.of_business,
            }
        )

    def week(self, week: ProposedWeek) -> None:
        """Days, rounds and stops with hours and drives."""
        days = [day for day in board_of_proposal(week) if day.rounds]
        self._chapter(
            _("The week from %(monday)s, as the worker plans it")
            % {"monday": showing.show_day(week.monday, self.language, weekday=False)}
        )
        for day in days:
            self._tell(
                ngettext("%(day)s: %(farms)s farm, %(head)s head", "%(day)s: %(farms)s farms, %(head)s head", day.farms)
                % {"day": showing.show_day(day.date, self.language), "farms": day.farms, "head": day.head}
            )
            for made in day.rounds:
                self._round(made)

        for off in DaysOff.objects.of(self.business).filter(first__lt=week.monday + WEEK, last__gte=week.monday):
            self._tell(
                _("%(crew)s does not go out on %(days)s: %(note)s.")
                % {
                    "crew": off.crew.name,
                    "days": showing.show_days(off.first, off.last, self.language),
                    "note": off.note,
                }
            )
        self._tell(self._roads(week))
        self._tell(_("What lies between two visits and is no drive is lunch, or the wash-down of chute and tools."))

    def _roads(self, week: ProposedWeek) -> str:
        """How the drives were reckoned, and what the river does to two neighbours."""
        a, b = (self.ground.farms[name] for name in NEIGHBOURS)
        block = ways(business=self.business, rig=USUAL_RIG, places=[a.position or (0, 0), b.position or (0, 0)]).block
        values = {
            "a": a.name,
            "b": b.name,
            "straight": self._distance(round(haversine_metres(*(a.position or (0, 0)), *(b.position or (0, 0))))),
            "road": self._distance(round(float(block.metres[0, 1]))),
        }
        said = how_reckoned(week.travel_source).sentence
        if block.made[0, 1] != ROADS:
            return said
        text = _(
            "%(a)s and %(b)s lie %(straight)s apart with the river between them, and %(road)s by road, over a bridge: "
            "the week keeps the banks apart where it can."
        )
        return f"{said} {text % values}"

    def _round(self, made: BoardRound) -> None:
        away = self._hours(made.leave_at, made.back_at)
        self._line(
            _("%(crew)s, away %(away)s, %(distance)s, %(drive)s on the road")
            % {
                "crew": made.crew,
                "away": away,
                "distance": self._distance(made.distance_m),
                "drive": showing.show_minutes(made.drive_minutes),
            }
        )
        for stop in made.stops:
            if stop.wash_minutes:
                washing = showing.show_minutes(stop.wash_minutes)
                self._line(_("%(minutes)7s  wash-down") % {"minutes": washing}, indent=6)
            self._line(self._stop(stop), indent=6)
        if made.back_drive_minutes:
            drive = showing.show_minutes(made.back_drive_minutes)
            self._line(_("%(drive)7s  back to base") % {"drive": drive}, indent=6)

    def _stop(self, stop: BoardStop) -> str:
        part = _(", part %(part)s of %(parts)s") % {"part": stop.part, "parts": stop.parts} if stop.parts > 1 else ""
        return _("%(drive)7s  %(hours)s  %(farm)s: %(head)s head, %(why)s%(part)s") % {
            "hours": self._hours(stop.start_at, stop.end_at),
            "farm": stop.farm,
            "head": stop.head,
            "why": stop.why,
            "part": part,
            "drive": showing.show_minutes(stop.drive_minutes or 0),
        }

    def left_out(self, week: ProposedWeek) -> None:
        """What did not fit, and why."""
        self._chapter(_("What does not fit, and why"))
        for row in week.left_out.select_related("farm"):
            self._line(f"{row.farm.name} ({_head(row.head)}): {why_left_out(row, self.business.currency)}")
        self._tell(_("These requests stay on the list."))

    def confirmed(self, visits: list[Visit], mail: Path) -> None:
        """Who was told."""
        self._chapter(_("The week is confirmed"))
        farms = {visit.farm.name for visit in visits}
        told = SentMessage.objects.of(self.business).filter(kind="visit_booked", sent_at__gte=self.ground.now)
        silent = sorted({visit.farm.name for visit in visits if visit.told_at is None})
        self._tell(
            _("%(owner)s confirms it: %(visits)s visits to %(farms)s farms are booked, and %(mails)s e-mails go out.")
            % {
                "owner": self.ground.people["owner"].name,
                "visits": len(visits),
                "farms": len(farms),
                "mails": told.count(),
            }
        )
        for message in told.order_by("pk"):
            self._line(f"{message.recipient}: {message.subject}")
        for name in silent:
            contact = self.ground.farms[name].contacts.first()
            number = contact.phone if contact else ""
            self._line(_("%(farm)s has no e-mail: telephone %(number)s") % {"farm": name, "number": number})
        self._tell(
            _("Each e-mail holds the hours and a file for the calendar. They lie in %(folder)s") % {"folder": mail}
        )

    def asked_since(self, request: VisitRequest) -> None:
        """One more request, for whoever tries it out."""
        self._tell(
            _("Just then %(farm)s rings: %(head)s, urgent. It waits on the list of requests.")
            % {
                "farm": request.farm.name,
                "head": ", ".join(_("cow %(number)s") % {"number": cow.number} for cow in request.lame_animals.all()),
            }
        )

    # At the chute

    def at_chute(self, visit: Visit) -> None:
        """A visit that was done, and three of its cows."""
        self._chapter(
            _("At the chute: %(farm)s, %(day)s")
            % {"farm": visit.farm.name, "day": showing.show_day(visit.date, self.language)}
        )
        head = {row.kind: row.done for row in visit.head.all() if row.done}
        times = (visit.arrived_at, visit.first_head_at, visit.last_head_at, visit.left_at)
        arrived, first, last, left = (self._clock(moment) for moment in times if moment)
        self._tell(
            _(
                "Crew %(crew)s arrives at %(arrived)s, has the first head in at %(first)s, the last out at %(last)s, "
                "and leaves at %(left)s. Done: %(head)s. Three of them:"
            )
            % {
                "crew": visit.crew.name,
                "arrived": arrived,
                "first": first,
                "last": last,
                "left": left,
                "head": _head(head),
            }
        )
        for record in self._told_of(visit):
            self._line(
                _("Cow %(number)s: %(score)s, %(minutes)s min")
                % {
                    "number": record.animal.number,
                    "score": wording.score_with_scale(record.score, record.scale),
                    "minutes": self._number(record.minutes or 0),
                }
            )
            for finding in record.findings.all():
                self._line(_("found: %(what)s") % {"what": _finding(finding)}, indent=6)
            for treatment in record.treatments.all():
                self._line(_("done: %(what)s") % {"what": _treatment(treatment)}, indent=6)
            if record.note:
                self._line(f"“{record.note}”", indent=6)

    def rechecks(self, visit: Visit) -> None:
        """What these cows must be seen again for."""
        self._chapter(_("The rechecks it raises"))
        for record in self._told_of(visit):
            for recheck in record.rechecks_raised.order_by("due_from", "due_by", "pk"):
                self._line(
                    _("Cow %(number)s, %(days)s: %(what)s (%(why)s)")
                    % {
                        "number": record.animal.number,
                        "days": showing.show_days(recheck.due_from, recheck.due_by, self.language),
                        "what": wording.to_do(recheck),
                        "why": wording.trigger(recheck.trigger),
                    }
                )
        self._tell(_("They stand on the farm's recheck list and ask for a visit when their days come."))

    def _told_of(self, visit: Visit) -> Iterator[ChuteRecord]:
        numbers = [cow["number"] for cow in self.ground.valley.chute_day["cows"]]
        records = visit.records.filter(animal__number__in=numbers).select_related("animal")
        yield from records.prefetch_related("findings", "treatments").order_by("animal__number")

    # The bill

    def invoice(self, bill: Bill) -> None:
        """Number, lines, tax, total, and where the document lies."""
        invoice = bill.invoice
        self._chapter(_("The invoice it becomes"))
        assert invoice.issued_on is not None  # noqa: S101  (it is issued)
        assert invoice.due_on is not None  # noqa: S101
        self._tell(
            _("%(office)s issues invoice %(number)s to %(client)s on %(on)s, due %(due)s.")
            % {
                "office": self.ground.people["office"].name,
                "number": invoice.number,
                "client": invoice.client.name,
                "on": showing.show_day(invoice.issued_on, self.language, weekday=False),
                "due": showing.show_day(invoice.due_on, self.language, weekday=False),
            }
        )
        for line in invoice.lines.order_by("position"):
            self._line(
                f"{line.name:<24} {self._number(line.quantity.normalize()):>6} × {self._number(line.price, 2):>6}"
                f" = {self._money(line.net):>10}   {line.tax_name}"
            )
        self._line(_("%(what)-42s %(amount)10s") % {"what": _("Net"), "amount": self._money(invoice.net_total)})
        for tax in invoice.taxes.order_by("pk"):
            what = _("%(tax)s, %(rate)s of %(base)s") % {
                "tax": tax.name,
                "rate": showing.show_percent(tax.rate / 100, self.language, 1),
                "base": self._money(tax.base),
            }
            self._line(f"{what:<42} {self._money(tax.tax):>10}")
        self._line(_("%(what)-42s %(amount)10s") % {"what": _("Total"), "amount": self._money(invoice.gross_total)})
        self._tell(_("Its PDF lies in %(path)s") % {"path": bill.pdf})

    def payment(self, payment: Payment, invoice: Invoice) -> None:
        """Paid, and how all other bills stand."""
        self._chapter(_("The payment"))
        stands = invoice_standing(invoice, self.ground.today)
        self._tell(
            _("%(client)s pays %(amount)s by %(how)s; %(open)s of %(number)s is open: it is %(standing)s.")
            % {
                "client": payment.client.name,
                "amount": self._money(payment.amount),
                "how": payment.get_method_display(),
                "open": self._money(stands.open),
                "number": invoice.number,
                "standing": stands.standing.label,
            }
        )
        documents = with_standing(Invoice.objects.of(self.business), self.ground.today)
        counts = Counter(documents.filter(kind=invoice.kind).values_list("standing", flat=True))
        total = ageing_of(self.business, self.ground.today).total
        self._tell(
            _("All invoices: %(counts)s. Owed to the business: %(owed)s, of which overdue: %(overdue)s.")
            % {
                "counts": ", ".join(
                    f"{counts[standing]} {standing.label}" for standing in Standing if counts[standing]
                ),
                "owed": self._money(total.owed),
                "overdue": self._money(total.overdue),
            }
        )

    def bank(self, file: Path, lines: int) -> None:
        """What to try next: the bank's file."""
        self._tell(
            _("A statement of the bank with %(lines)s lines lies in %(path)s: bring it in under Payments, Bank.")
            % {"lines": lines, "path": file}
        )

    # How it is said

    def _chapter(self, title: str) -> None:
        self._chapters += 1
        self.say("")
        self.say(f"{self._chapters}. {title}")
        self.say("-" * 72)

    def _tell(self, text: str) -> None:
        """A paragraph."""
        self.say(fill(text, 100, break_long_words=False, break_on_hyphens=False))

    def _line(self, text: str, indent: int = 3) -> None:
        """A row of a list; what is too long for one line goes on under it."""
        space = " " * indent
        row = TextWrapper(110, space, space + "  ", break_long_words=False, break_on_hyphens=False)
        self.say(row.fill(text))

    def _local(self, moment: dt.datetime) -> dt.datetime:
        return showing.to_local(moment, self.business.time_zone)

    def _clock(self, moment: dt.datetime) -> str:
        return showing.show_clock(moment, self.language, self.business.time_zone)

    def _hours(self, start: dt.datetime | None, end: dt.datetime | None) -> str:
        return showing.show_hours(start, end, self.language, self.business.time_zone) if start and end else ""

    def _distance(self, metres: int) -> str:
        return showing.show_distance(metres, self.business.units, self.language)

    def _number(self, value: Decimal | int, places: int | None = None) -> str:
        return showing.show_number(value, self.language, places)

    def _money(self, amount: Decimal) -> str:
        return showing.show_money(amount, self.business.currency, self.language)

    def _urgency(self, request: VisitRequest) -> str:
        named = [request.get_urgency_display()] if request.urgency != Urgency.ROUTINE else []
        if request.due_on:
            day = showing.show_day(request.due_on, self.language, year=False)
            named.append(_("no later than %(day)s") % {"day": day})
        return f" ({', '.join(named)})" if named else ""


def _head(head: Mapping[str, int]) -> str:
    """Such as "34 × cow, routine trim; 3 × recheck"."""
    return "; ".join(f"{count} × {HeadKind(kind).label}" for kind, count in head.items())


def _finding(finding: Finding) -> str:
    stage = f" {finding.m_stage} ({wording.M_STAGES[finding.m_stage]})" if finding.m_stage else ""
    zone = wording.ZONES.get(finding.zone, "") if finding.zone is not None else ""
    return ", ".join(filter(None, (wording.lesion_name(finding.lesion) + stage, _place(finding), str(zone))))


def _treatment(treatment: Treatment) -> str:
    block = f" ({BlockKind(treatment.block_kind).label})" if treatment.block_kind else ""
    batch = _("batch %(batch)s") % {"batch": treatment.batch} if treatment.batch else ""
    words = (wording.treatment(treatment.kind) + block, _place(treatment), treatment.product, batch)
    return ", ".join(filter(None, words))


def _place(row: Finding | Treatment) -> str:
    foot = str(Foot(row.foot).label) if row.foot else ""
    claw = _("%(claw)s claw") % {"claw": Claw(row.claw).label} if row.claw else ""
    return ", ".join(filter(None, (foot, claw)))
