"""Who works here, who belongs to which farm, and how they come in."""

from __future__ import annotations

from http import HTTPStatus

from django import forms
from django.contrib import messages
from django.contrib.auth import login
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from trimmer.access import ANYONE, MEMBERS, OFFICE, OWNER, SEAT_KEY, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.people import (
    FarmInvitationForm,
    FarmPersonForm,
    GuestForm,
    MemberInvitationForm,
    NewPersonForm,
    RoleForm,
)
from trimmer.models import Client, Invitation, User
from trimmer.queries.people import farm_people_of, members_of, waiting_invitations
from trimmer.services import people
from trimmer.tries import too_many_tries

ROWS_A_PAGE = 50
SIGN_IN_BACKEND = "allauth.account.auth_backends.AuthenticationBackend"


@may(*MEMBERS)
def people_list(request: SeatedRequest) -> HttpResponse:
    """Members, invitations that wait, and farms' people."""
    search = request.GET.get("q", "").strip()
    farm_people = Paginator(farm_people_of(request.seat, search), ROWS_A_PAGE)
    values = {
        "members": members_of(request.seat),
        "invitations": waiting_invitations(request.seat) if request.seat.role in {OWNER, OFFICE} else (),
        "farm_people": farm_people.get_page(request.GET.get("page")),
        "search": search,
        "now": timezone.now(),
    }
    return render(request, "trimmer/people_list.html", values)


@may(OWNER)
def member_invite(request: SeatedRequest) -> HttpResponse:
    """Invite somebody to work in the business."""
    form = MemberInvitationForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            invitation = people.invite_member(
                business=request.seat.business, by=request.user, now=timezone.now(), **form.cleaned_data
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            _say_invited(request, invitation)
            return redirect("people-list")
    return render(request, "trimmer/member_invite.html", {"form": form})


@may(OWNER, OFFICE)
def farm_person_invite(request: SeatedRequest, pk: int) -> HttpResponse:
    """Invite somebody of a client's farms."""
    client = get_object_or_404(Client.objects.seen_by(request.seat), pk=pk)
    form = FarmInvitationForm(posted(request), initial={"email": client.email})
    if request.method == "POST" and form.is_valid():
        try:
            invitation = people.invite_farm_person(
                client=client, by=request.user, now=timezone.now(), **form.cleaned_data
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            _say_invited(request, invitation)
            return redirect("client-page", pk=client.pk)
    return render(request, "trimmer/farm_person_invite.html", {"form": form, "client": client})


@may(OWNER)
def member_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Another role for a member."""
    membership = get_object_or_404(members_of(request.seat), pk=pk)
    form = RoleForm(posted(request), initial={"role": membership.role})
    if request.method == "POST" and form.is_valid():
        try:
            people.change_role(membership=membership, role=form.cleaned_data["role"])
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The role of %(name)s is stored.") % {"name": membership.user})
            return redirect("people-list")
    return render(request, "trimmer/member_edit.html", {"form": form, "membership": membership})


@may(OWNER)
def member_remove(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then take a member out."""
    membership = get_object_or_404(members_of(request.seat), pk=pk)
    form = forms.Form(posted(request))
    if request.method == "POST":
        try:
            people.remove_member(membership=membership, now=timezone.now())
        except Refusal as refusal:
            form.is_valid()
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s no longer works here.") % {"name": membership.user})
            return redirect("people-list")
    return render(request, "trimmer/member_remove.html", {"form": form, "membership": membership})


@may(OWNER, OFFICE)
def farm_person_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """What a farm's person may do."""
    person = get_object_or_404(farm_people_of(request.seat), pk=pk)
    form = FarmPersonForm(posted(request), instance=person)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, _("What %(name)s may do is stored.") % {"name": person.user})
        return redirect("people-list")
    return render(request, "trimmer/farm_person_edit.html", {"form": form, "person": person})


@may(OWNER, OFFICE)
def farm_person_remove(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then take a farm's person out."""
    person = get_object_or_404(farm_people_of(request.seat), pk=pk)
    if request.method == "POST":
        people.remove_farm_person(person=person, now=timezone.now())
        said = _("%(name)s no longer belongs to %(client)s.") % {"name": person.user, "client": person.client}
        messages.success(request, said)
        return redirect("people-list")
    return render(request, "trimmer/farm_person_remove.html", {"person": person})


@may(OWNER, OFFICE)
@require_POST
def invitation_again(request: SeatedRequest, pk: int) -> HttpResponse:
    """Send an invitation once more, with a new link."""
    invitation = get_object_or_404(waiting_invitations(request.seat), pk=pk)
    _say_invited(request, people.send_invitation_again(invitation=invitation, by=request.user, now=timezone.now()))
    return redirect("people-list")


@may(OWNER, OFFICE)
@require_POST
def invitation_withdraw(request: SeatedRequest, pk: int) -> HttpResponse:
    """Make the link of an invitation work no longer."""
    invitation = get_object_or_404(waiting_invitations(request.seat), pk=pk)
    people.withdraw_invitation(invitation=invitation)
    messages.success(request, _("The invitation of %(email)s is withdrawn.") % {"email": invitation.email})
    return redirect("people-list")


@may(ANYONE)
@never_cache
def invitation_accept(request: SeatedRequest, secret: str) -> HttpResponse:
    """Where the link of an invitation leads: a new person chooses a password, a known one just comes in."""
    now = timezone.now()
    if too_many_tries(request, "invitation", now=now):
        return render(request, "trimmer/invitation_later.html", status=HTTPStatus.TOO_MANY_REQUESTS)
    user = _signed_in(request)
    try:
        invitation = people.open_invitation(secret=secret, now=now)
        person = people.check_guest(invitation=invitation, by=user)
    except Refusal as refusal:
        return _closed(request, refusal)
    form = GuestForm(posted(request)) if person else NewPersonForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            seat = people.accept_invitation(
                secret=secret,
                by=user,
                name=form.cleaned_data.get("name", ""),
                password=form.cleaned_data.get("password", ""),
                now=now,
            )
        except (people.InvitationUsed, people.SignInFirst) as refusal:
            return _closed(request, refusal)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            if user is None:
                login(request, seat.user, backend=SIGN_IN_BACKEND)
            request.session[SEAT_KEY] = seat.key
            messages.success(request, _("Welcome to %(place)s.") % {"place": seat.client or seat.business})
            return redirect("home")
    return render(request, "trimmer/invitation_accept.html", {"form": form, "invitation": invitation})


def _say_invited(request: SeatedRequest, invitation: Invitation) -> None:
    messages.success(request, _("The invitation goes to %(email)s.") % {"email": invitation.email})


def _closed(request: HttpRequest, refusal: Refusal) -> HttpResponse:
    again = isinstance(refusal, people.SignInFirst | people.SignOutFirst)  # the link still works afterwards
    values = {"refusal": refusal, "again": again}
    return render(request, "trimmer/invitation_closed.html", values, status=refusal.status)


def _signed_in(request: HttpRequest) -> User | None:
    return request.user if request.user.is_authenticated else None


urlpatterns = [
    path("people", people_list, name="people-list"),
    path("members/invite", member_invite, name="member-invite"),
    path("members/<int:pk>/edit", member_edit, name="member-edit"),
    path("members/<int:pk>/remove", member_remove, name="member-remove"),
    path("farm-people/<int:pk>/edit", farm_person_edit, name="farm-person-edit"),
    path("farm-people/<int:pk>/remove", farm_person_remove, name="farm-person-remove"),
    path("clients/<int:pk>/people/invite", farm_person_invite, name="farm-person-invite"),
    path("invitations/<int:pk>/again", invitation_again, name="invitation-again"),
    path("invitations/<int:pk>/withdraw", invitation_withdraw, name="invitation-withdraw"),
    path("invitations/<str:secret>", invitation_accept, name="invitation-accept"),
]
