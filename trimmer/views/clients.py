"""Clients, who pay."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.forms.models import model_to_dict
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from trimmer.access import MEMBERS, OFFICE, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.clients import ClientForm
from trimmer.models import Client, SentMessage
from trimmer.queries.farms import clients_to_show, farms_to_show
from trimmer.queries.people import farm_people_of, waiting_invitations
from trimmer.services.clients import add_client, archive_client, next_client_number, restore_client, update_client

ROWS_A_PAGE = 50
LATEST_MESSAGES = 10


@may(*MEMBERS)
def client_list(request: SeatedRequest) -> HttpResponse:
    """Clients by name."""
    search, archived = request.GET.get("q", "").strip(), bool(request.GET.get("archived"))
    clients = clients_to_show(request.seat, search=search, archived=archived)
    page = Paginator(clients, ROWS_A_PAGE).get_page(request.GET.get("page"))
    return render(request, "trimmer/client_list.html", {"clients": page, "search": search, "archived": archived})


@may(OWNER, OFFICE)
def client_add(request: SeatedRequest) -> HttpResponse:
    """A new client."""
    business = request.seat.business
    form = ClientForm(posted(request), business=business, initial={"country": business.country})
    if request.method == "POST" and form.is_valid():
        try:
            client = add_client(business=business, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(
                request, _("%(name)s is client number %(number)s.") % {"name": client, "number": client.number}
            )
            return redirect("client-page", pk=client.pk)
    form.fields["number"].widget.attrs["placeholder"] = next_client_number(business)
    return render(request, "trimmer/client_add.html", {"form": form})


@may(*MEMBERS)
def client_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """Everything known of a client: farms, people, messages."""
    client = get_object_or_404(Client.objects.seen_by(request.seat), pk=pk)
    today = timezone.localdate()
    farms = farms_to_show(request.seat, today=today).filter(client=client)
    values = {
        "client": client,
        "farms": farms,
        "archived_farms": farms_to_show(request.seat, today=today, archived=True).filter(client=client),
        "people": farm_people_of(request.seat).filter(client=client),
        "invitations": waiting_invitations(request.seat).filter(client=client),
        "sent_messages": SentMessage.objects.seen_by(request.seat).filter(client=client)[:LATEST_MESSAGES],
        "may_edit": request.seat.role in {OWNER, OFFICE},
    }
    return render(request, "trimmer/client_page.html", values)


@may(OWNER, OFFICE)
def client_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Change what is said of a client."""
    client = get_object_or_404(Client.objects.seen_by(request.seat), pk=pk)
    form = ClientForm(posted(request), business=request.seat.business, initial=model_to_dict(client))
    if request.method == "POST" and form.is_valid():
        try:
            update_client(client=client, **form.cleaned_data)
        except Refusal as refusal:
            client.refresh_from_db()
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s is stored.") % {"name": client})
            return redirect("client-page", pk=client.pk)
    return render(request, "trimmer/client_edit.html", {"form": form, "client": client})


@may(OWNER, OFFICE)
def client_archive(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then put a client and its farms away."""
    client = get_object_or_404(Client.objects.seen_by(request.seat), pk=pk)
    form = forms.Form(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            archive_client(client=client, now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s is archived.") % {"name": client})
            return redirect("client-page", pk=client.pk)
    return render(request, "trimmer/client_archive.html", {"form": form, "client": client})


@may(OWNER, OFFICE)
@require_POST
def client_restore(request: SeatedRequest, pk: int) -> HttpResponse:
    """Bring a client back, with the farms archived together with it."""
    client = get_object_or_404(Client.objects.seen_by(request.seat), pk=pk)
    restore_client(client=client)
    messages.success(request, _("%(name)s is back.") % {"name": client})
    return redirect("client-page", pk=client.pk)


urlpatterns = [
    path("clients", client_list, name="client-list"),
    path("clients/add", client_add, name="client-add"),
    path("clients/<int:pk>", client_page, name="client-page"),
    path("clients/<int:pk>/edit", client_edit, name="client-edit"),
    path("clients/<int:pk>/archive", client_archive, name="client-archive"),
    path("clients/<int:pk>/restore", client_restore, name="client-restore"),
]
