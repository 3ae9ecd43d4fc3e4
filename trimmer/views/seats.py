"""Where one sits, and one's own account."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from trimmer.access import SEAT_KEY, SEATED, SIGNED_IN, Seat, SeatedRequest, may, seats_of
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.people import OwnNameForm, TokenForm
from trimmer.models import ApiToken, BusinessQuerySet
from trimmer.services.people import make_token, withdraw_token


@may(SIGNED_IN)
def seat_choose(request: SeatedRequest) -> HttpResponse:
    """All places of a person; a POST sits down on one of them."""
    seats = seats_of(request.user)
    if request.method != "POST":
        return render(request, "trimmer/seat_choose.html", {"seats": seats})
    chosen = next((seat for seat in seats if seat.key == request.POST.get("seat")), None)
    if chosen is None:
        raise Http404
    request.session[SEAT_KEY] = chosen.key
    return redirect("home")


@may(SIGNED_IN)
def account(request: SeatedRequest) -> HttpResponse:
    """One's own name, places, password and tokens."""
    form = OwnNameForm(posted(request), instance=request.user)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, _("Your name is stored."))
        return redirect("account")
    return _account_page(request, form)


@may(*SEATED)
@require_POST
@never_cache
def token_make(request: SeatedRequest) -> HttpResponse:
    """A new token: its secret is on this answer and nowhere else."""
    form = TokenForm(request.POST, auto_id="token_%s")
    if form.is_valid():
        try:
            token, secret = make_token(seat=request.seat, name=form.cleaned_data["name"], now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            return render(request, "trimmer/token_made.html", {"token": token, "secret": secret})
    return _account_page(request, OwnNameForm(instance=request.user), form)


@may(*SEATED)
@require_POST
def token_withdraw(request: SeatedRequest, pk: int) -> HttpResponse:
    """Make one of one's own tokens work no longer."""
    token = get_object_or_404(_own_tokens(request), pk=pk)
    withdraw_token(token=token, now=timezone.now())
    messages.success(request, _("The token “%(name)s” is withdrawn.") % {"name": token.name})
    return redirect("account")


def _own_tokens(request: SeatedRequest) -> BusinessQuerySet[ApiToken]:
    tokens = ApiToken.objects.of(request.seat.business).filter(user=request.user)
    return tokens.order_by("withdrawn_at", "-made_at", "-pk")


def _account_page(request: SeatedRequest, form: OwnNameForm, token_form: TokenForm | None = None) -> HttpResponse:
    seat: Seat | None = getattr(request, "seat", None)
    values = {
        "form": form,
        "token_form": token_form or TokenForm(auto_id="token_%s"),
        "seats": seats_of(request.user),
        "tokens": _own_tokens(request) if seat else [],
    }
    return render(request, "trimmer/account.html", values)


urlpatterns = [
    path("places", seat_choose, name="seat-choose"),
    path("account", account, name="account"),
    path("account/tokens", token_make, name="token-make"),
    path("account/tokens/<int:pk>/withdraw", token_withdraw, name="token-withdraw"),
]
