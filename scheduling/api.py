"""The API about weeks."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from scheduling.board import bound_sentence
from scheduling.differing import comparison_values, place_rows, told_change_values
from scheduling.models import (
    LeftOut,
    PlannerSettings,
    ProposedRound,
    ProposedStop,
    ProposedWeek,
    WeekQuestion,
    WeekStep,
)
from scheduling.reasons import why_left_out
from scheduling.services import asking, changing, replanning, weeks
from scheduling.services.comparing import compare_weeks, compare_with_first
from scheduling.services.loading import settings_of
from scheduling.services.settings import keep_settings
from scheduling.services.writing import money
from trimmer.access import MEMBERS, OWNER, TRIMMER
from trimmer.api.access import SeatedView
from trimmer.api.own import OwnKey
from trimmer.models import Crew
from trimmer.services.jobs import ask_to_stop

PLANNERS = frozenset({OWNER, TRIMMER})


class StopSerializer(serializers.ModelSerializer[ProposedStop]):
    class Meta:
        model = ProposedStop
        fields = [
            "id",
            "key",
            "pin",
            "position",
            "farm",
            "requests",
            "visit",
            "was_booked",
            "reason",
            "head",
            "start_at",
            "end_at",
            "drive_minutes",
            "distance_m",
            "wash_minutes",
            "part",
            "parts",
        ]
        read_only_fields = fields


class RoundSerializer(serializers.ModelSerializer[ProposedRound]):
    stops = StopSerializer(many=True, read_only=True)

    class Meta:
        model = ProposedRound
        fields = [
            "id",
            "crew",
            "date",
            "leave_at",
            "back_at",
            "lunch_at",
            "drive_minutes",
            "distance_m",
            "back_drive_minutes",
            "sleeps_near",
            "stops",
        ]
        read_only_fields = fields


class LeftOutSerializer(serializers.ModelSerializer[LeftOut]):
    why = serializers.SerializerMethodField(
        help_text="One sentence or two for people: what stands in the way, what helps."
    )

    class Meta:
        model = LeftOut
        fields = ["id", "key", "farm", "requests", "head", "reason", "details", "why"]
        read_only_fields = fields

    def get_why(self, row: LeftOut) -> str:
        return why_left_out(row, row.week.business.currency)


class WeekSerializer(serializers.ModelSerializer[ProposedWeek]):
    rounds = RoundSerializer(many=True, read_only=True)
    left_out = LeftOutSerializer(many=True, read_only=True)
    parts = serializers.DictField(
        child=serializers.DecimalField(max_digits=12, decimal_places=2),
        read_only=True,
        help_text="Parts of the cost; they add up to it. out: crews going out; time: driving, washing down, waiting; "
        "road: kilometres; late: days late; left: left for another week; moved: moving what farms were told.",
    )
    bound_sentence = serializers.SerializerMethodField(help_text="How much cheaper another plan could be, for people.")

    class Meta:
        model = ProposedWeek
        fields = [
            "id",
            "monday",
            "kind",
            "state",
            "version",
            "step",
            "job",
            "cost",
            "parts",
            "bound",
            "bound_sentence",
            "travel_source",
            "asked_at",
            "confirmed_at",
            "rounds",
            "left_out",
        ]
        read_only_fields = [name for name in fields if name != "monday"]

    def get_bound_sentence(self, week: ProposedWeek) -> str:
        return bound_sentence(week, holds=changing.bound_holds(week), language=week.business.language)


class WeekVersionSerializer(serializers.Serializer[Any]):
    """A change names the version of the proposal it was made on; of two, the second is refused (409)."""

    version = serializers.IntegerField(min_value=1)


class StopKeySerializer(WeekVersionSerializer):
    """A job of the proposal, by the `key` of its stops or of its left-out row."""

    key = serializers.CharField(max_length=60)


class WhichStopSerializer(serializers.Serializer[Any]):
    key = serializers.CharField(max_length=60)
    part = serializers.IntegerField(min_value=1, default=1)


class StopPinSerializer(StopKeySerializer):
    hour = serializers.BooleanField(default=False, help_text="Pin the hour too, not only crew and day.")


class StopPlaceSerializer(serializers.Serializer[Any]):
    """A place for a visit. part: which of the job's visits (by day); place: in the round from 0, null: the cheapest."""

    key = serializers.CharField(max_length=60)
    part = serializers.IntegerField(min_value=1, default=1)
    crew = OwnKey(Crew)
    date = serializers.DateField()
    place = serializers.IntegerField(min_value=0, allow_null=True, default=None)


class StopMoveSerializer(StopPlaceSerializer):
    version = serializers.IntegerField(min_value=1)


class WeekPlaceSerializer(serializers.Serializer[Any]):
    """Where a visit could be: what the week would cost more, or the rule that refuses it."""

    crew = serializers.IntegerField()
    date = serializers.DateField()
    place = serializers.IntegerField(allow_null=True)
    extra = serializers.DecimalField(max_digits=12, decimal_places=2, allow_null=True)
    start_at = serializers.DateTimeField(allow_null=True)
    end_at = serializers.DateTimeField(allow_null=True)
    now = serializers.BooleanField(help_text="It is there now.")
    refused = serializers.CharField(allow_blank=True, help_text="The rule that refuses it, for people.")
    rule = serializers.CharField(allow_blank=True, help_text="Its code.")


class WeekTrialSerializer(serializers.Serializer[Any]):
    """What a change would cost. Nothing is kept."""

    extra = serializers.DecimalField(max_digits=12, decimal_places=2)
    cost = serializers.DecimalField(max_digits=12, decimal_places=2)


class WeekStepSerializer(serializers.ModelSerializer[WeekStep]):
    class Meta:
        model = WeekStep
        fields = ["number", "kind", "farm", "details", "cost", "made_by", "made_at"]
        read_only_fields = fields


class VisitWhenSerializer(serializers.Serializer[Any]):
    crew = serializers.IntegerField()
    date = serializers.DateField()
    start_at = serializers.DateTimeField()
    end_at = serializers.DateTimeField()


class VisitChangeSerializer(serializers.Serializer[Any]):
    """What becomes of a visit: moved, added, dropped or kept."""

    farm = serializers.IntegerField()
    how = serializers.ChoiceField(["moved", "added", "dropped", "kept"])
    old = VisitWhenSerializer(allow_null=True)
    new = VisitWhenSerializer(allow_null=True)


class WeekComparisonSerializer(serializers.Serializer[Any]):
    """Two proposals of one week: costs and their parts, and each visit that differs."""

    before_cost = serializers.DecimalField(max_digits=12, decimal_places=2)
    after_cost = serializers.DecimalField(max_digits=12, decimal_places=2)
    before_parts = serializers.DictField(child=serializers.DecimalField(max_digits=12, decimal_places=2))
    after_parts = serializers.DictField(child=serializers.DecimalField(max_digits=12, decimal_places=2))
    kept = serializers.IntegerField()
    changes = VisitChangeSerializer(many=True)


class WeekQuestionSerializer(serializers.ModelSerializer[WeekQuestion]):
    """A question that a worker answers (a job; see /jobs). why_not: `key` and `date`, and `crew` if one is meant."""

    about = serializers.DictField(read_only=True)
    answer = serializers.DictField(read_only=True)
    key = serializers.CharField(max_length=60, required=False, write_only=True)
    date = serializers.DateField(required=False, write_only=True)
    crew = OwnKey(Crew, required=False, allow_null=True, write_only=True)

    class Meta:
        model = WeekQuestion
        fields = ["id", "kind", "about", "version", "job", "answer", "asked_at", "key", "date", "crew"]
        read_only_fields = ["id", "about", "version", "job", "answer", "asked_at"]

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["kind"] == WeekQuestion.Kind.WHY_NOT:
            missing = {name: [_("This field is needed.")] for name in ("key", "date") if name not in attrs}
            if missing:
                raise serializers.ValidationError(missing)
        return attrs


class WeekHappenedSerializer(serializers.Serializer[Any]):
    """called_off: `visit`; crew_down: `crew` and `date`; takes_longer: `visit` and `minutes`; request: `request`."""

    kind = serializers.ChoiceField(["called_off", "crew_down", "takes_longer", "request"])
    visit = serializers.IntegerField(required=False)
    crew = serializers.IntegerField(required=False)
    date = serializers.DateField(required=False)
    minutes = serializers.IntegerField(required=False, min_value=1, max_value=1440)
    request = serializers.IntegerField(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["kind"] == replanning.CREW_DOWN and "date" not in attrs:
            raise serializers.ValidationError({"date": [_("This field is needed.")]})
        return attrs


class WeekReplanSerializer(serializers.Serializer[Any]):
    """The booked week of a Monday planned anew after what happened."""

    monday = serializers.DateField()
    happened = WeekHappenedSerializer(many=True, allow_empty=True)


class WeekViewSet(SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[ProposedWeek]):
    """Proposed weeks. POST a Monday to have it planned (a job; see /jobs). Then look, try, change, confirm or drop it.

    A change is kept as a step that can be undone, and names the version it was made on.
    """

    who = {
        "list": MEMBERS,
        "retrieve": MEMBERS,
        "places": MEMBERS,
        "try_move": MEMBERS,
        "steps": MEMBERS,
        "comparison": MEMBERS,
        "changes": MEMBERS,
        **dict.fromkeys(
            (
                "create",
                "replan",
                "confirm",
                "accept",
                "undo",
                "drop",
                "stop",
                "move",
                "put_in",
                "take_out",
                "pin",
                "unpin",
                "step_back",
                "step_again",
            ),
            PLANNERS,
        ),
    }
    queryset = ProposedWeek.objects.none()
    serializer_class = WeekSerializer
    filterset_fields = ["monday", "state", "kind"]

    def get_queryset(self) -> QuerySet[ProposedWeek]:
        if getattr(self, "swagger_fake_view", False):
            return self.queryset
        return (
            ProposedWeek.objects.seen_by(self.seat)
            .select_related("business", "job")
            .prefetch_related("rounds__stops__requests", "left_out__requests", "left_out__week__business")
        )

    def _asked(self, kind: type[serializers.Serializer[Any]], data: Any = None) -> dict[str, Any]:
        shape = kind(data=self.request.data if data is None else data, context=self.get_serializer_context())
        shape.is_valid(raise_exception=True)
        return dict(shape.validated_data)

    @extend_schema(responses={202: WeekSerializer})
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        week = weeks.propose_week(
            business=self.seat.business,
            monday=self._asked(WeekSerializer)["monday"],
            by=self.seat.user,
            now=timezone.now(),
        )
        return Response(self.get_serializer(week).data, status=HTTPStatus.ACCEPTED)

    @extend_schema(request=WeekReplanSerializer, responses={202: WeekSerializer})
    @action(detail=False, methods=["post"])
    def replan(self, request: Request) -> Response:
        """Have the booked week planned anew after something happened; accept what comes of it, or drop it."""
        asked = self._asked(WeekReplanSerializer)
        happened = [
            replanning.Happened(**event | ({"date": event["date"].isoformat()} if "date" in event else {}))
            for event in asked["happened"]
        ]
        week = replanning.replan_week(
            business=self.seat.business,
            monday=asked["monday"],
            happened=happened,
            by=self.seat.user,
            now=timezone.now(),
        )
        return Response(self.get_serializer(week).data, status=HTTPStatus.ACCEPTED)

    def _answer(self) -> Response:
        return Response(self.get_serializer(self.get_object()).data)

    @extend_schema(request=WeekVersionSerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def confirm(self, request: Request, pk: str) -> Response:
        """Book every stop of the proposal as it was looked at, and tell the farms."""
        week, version = self.get_object(), self._asked(WeekVersionSerializer)["version"]
        weeks.confirm_week(week=week, version=version, by=self.seat.user, now=timezone.now())
        return self._answer()

    @extend_schema(request=WeekVersionSerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def accept(self, request: Request, pk: str) -> Response:
        """Make a new plan of the booked week true: visits are cancelled, moved and booked, and their farms told."""
        week, version = self.get_object(), self._asked(WeekVersionSerializer)["version"]
        replanning.accept_replan(week=week, version=version, by=self.seat.user, now=timezone.now())
        return self._answer()

    @extend_schema(request=None, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def undo(self, request: Request, pk: str) -> Response:
        """Cancel what confirming booked, before its first day."""
        weeks.undo_week(week=self.get_object(), by=self.seat.user, now=timezone.now())
        return self._answer()

    @extend_schema(request=None, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def drop(self, request: Request, pk: str) -> Response:
        """Put the proposal away."""
        weeks.drop_week(week=self.get_object())
        return self._answer()

    @extend_schema(request=None, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def stop(self, request: Request, pk: str) -> Response:
        """End planning soon, and keep the best plan so far."""
        week = self.get_object()
        if week.job is not None:
            ask_to_stop(job=week.job)
        return self._answer()

    @extend_schema(
        parameters=[
            OpenApiParameter("key", str, required=True, description="The `key` of a stop or of a left-out row."),
            OpenApiParameter("part", int, description="Which of the job's visits, by day; 1 unless given."),
        ],
        responses=WeekPlaceSerializer(many=True),
        filters=False,
    )
    @action(detail=True, methods=["get"], pagination_class=None)
    def places(self, request: Request, pk: str) -> Response:
        """For each crew and day that is worked: the cheapest place for a visit, or the rule that refuses it."""
        week = self.get_object()
        asked = self._asked(WhichStopSerializer, request.query_params)
        found = changing.places_of(week=week, **asked)
        return Response(WeekPlaceSerializer(place_rows(week, found), many=True).data)

    @extend_schema(request=StopPlaceSerializer, responses=WeekTrialSerializer)
    @action(detail=True, methods=["post"], url_path="try")
    def try_move(self, request: Request, pk: str) -> Response:
        """What moving a visit there, or putting it in, would cost. Nothing is kept; a rule that forbids it is a 409."""
        week, asked = self.get_object(), self._asked(StopPlaceSerializer)
        trial = changing.try_move(
            week=week,
            key=asked["key"],
            part=asked["part"],
            crew=asked["crew"],
            date=asked["date"],
            place=asked["place"],
        )
        return Response(WeekTrialSerializer({"extra": money(trial.extra), "cost": money(trial.after.plan.cost)}).data)

    @extend_schema(request=StopMoveSerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def move(self, request: Request, pk: str) -> Response:
        """Move a visit to another crew, day or place in its round, or put in one that was left out."""
        week, asked = self.get_object(), self._asked(StopMoveSerializer)
        changing.move_stop(
            week=week,
            version=asked["version"],
            key=asked["key"],
            part=asked["part"],
            crew=asked["crew"],
            date=asked["date"],
            place=asked["place"],
            by=self.seat.user,
            now=timezone.now(),
        )
        return self._answer()

    @extend_schema(request=StopKeySerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"], url_path="put-in")
    def put_in(self, request: Request, pk: str) -> Response:
        """Put in what was left out, where it costs least, in several visits if it may be."""
        return self._change(changing.put_in_job, StopKeySerializer)

    @extend_schema(request=StopKeySerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"], url_path="take-out")
    def take_out(self, request: Request, pk: str) -> Response:
        """Leave a visit for another week; the next proposal leaves it out, too."""
        return self._change(changing.take_out_stop, StopKeySerializer)

    @extend_schema(request=StopPinSerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def pin(self, request: Request, pk: str) -> Response:
        """Pin a visit where it is: no change moves it, and the next proposal keeps it."""
        return self._change(changing.pin_stop, StopPinSerializer)

    @extend_schema(request=StopKeySerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def unpin(self, request: Request, pk: str) -> Response:
        """Take a pin off."""
        return self._change(changing.unpin_stop, StopKeySerializer)

    def _change(self, service: Callable[..., object], kind: type[serializers.Serializer[Any]]) -> Response:
        week, asked = self.get_object(), self._asked(kind)
        service(week=week, by=self.seat.user, now=timezone.now(), **asked)
        return self._answer()

    @extend_schema(request=WeekVersionSerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"], url_path="step-back")
    def step_back(self, request: Request, pk: str) -> Response:
        """Take the last step back."""
        changing.undo_change(week=self.get_object(), **self._asked(WeekVersionSerializer))
        return self._answer()

    @extend_schema(request=WeekVersionSerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"], url_path="step-again")
    def step_again(self, request: Request, pk: str) -> Response:
        """Do the step again that was taken back."""
        changing.redo_change(week=self.get_object(), **self._asked(WeekVersionSerializer))
        return self._answer()

    @extend_schema(responses=WeekStepSerializer(many=True), filters=False)
    @action(detail=True, methods=["get"], pagination_class=None)
    def steps(self, request: Request, pk: str) -> Response:
        """The steps taken in the proposal; those numbered above its `step` are undone and can be done again."""
        return Response(WeekStepSerializer(self.get_object().steps.order_by("number"), many=True).data)

    @extend_schema(
        parameters=[OpenApiParameter("with", int, description="Another proposal of the week; without: as first made.")],
        responses=WeekComparisonSerializer,
        filters=False,
    )
    @action(detail=True, methods=["get"], pagination_class=None)
    def comparison(self, request: Request, pk: str) -> Response:
        """From another proposal of the same week (or this one as first made) to this one."""
        week = self.get_object()
        other = request.query_params.get("with", "")
        if other.isdigit():
            before = get_object_or_404(ProposedWeek.objects.seen_by(self.seat), pk=int(other))
            found = compare_weeks(before=before, after=week)
        else:
            found = compare_with_first(week=week)
        return Response(WeekComparisonSerializer(comparison_values(found, week)).data)

    @extend_schema(responses=VisitChangeSerializer(many=True), filters=False)
    @action(detail=True, methods=["get"], pagination_class=None)
    def changes(self, request: Request, pk: str) -> Response:
        """What accepting a new plan of the booked week would change for each farm."""
        return Response(VisitChangeSerializer(told_change_values(self.get_object()), many=True).data)


class WeekQuestionViewSet(
    SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[WeekQuestion]
):
    """Questions about a proposal: why a visit is not on another day, and what one more hour would be worth."""

    who = {"list": MEMBERS, "retrieve": MEMBERS, "create": PLANNERS, "take": PLANNERS}
    queryset = WeekQuestion.objects.none()
    serializer_class = WeekQuestionSerializer
    filterset_fields = ["kind"]

    def get_queryset(self) -> QuerySet[WeekQuestion]:
        if getattr(self, "swagger_fake_view", False):
            return self.queryset
        return WeekQuestion.objects.seen_by(self.seat).filter(week=self._week()).select_related("week__business")

    def _week(self) -> ProposedWeek:
        weeks_seen = ProposedWeek.objects.seen_by(self.seat).select_related("business")
        return get_object_or_404(weeks_seen, pk=self.kwargs["week_pk"])

    @extend_schema(responses={202: WeekQuestionSerializer})
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        week = self._week()
        shape = self.get_serializer(data=request.data)
        shape.is_valid(raise_exception=True)
        asked = shape.validated_data
        by, now = self.seat.user, timezone.now()
        if asked["kind"] == WeekQuestion.Kind.WORTH:
            question = asking.ask_worth(week=week, by=by, now=now)
        else:
            question = asking.ask_why_not(
                week=week, key=asked["key"], date=asked["date"], crew=asked.get("crew"), by=by, now=now
            )
        return Response(self.get_serializer(question).data, status=HTTPStatus.ACCEPTED)

    @extend_schema(request=WeekVersionSerializer, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def take(self, request: Request, week_pk: str, pk: str) -> Response:
        """Make the plan that was found for a question the proposal."""
        question = self.get_object()
        shape = WeekVersionSerializer(data=request.data)
        shape.is_valid(raise_exception=True)
        asking.take_over(
            question=question, version=shape.validated_data["version"], by=self.seat.user, now=timezone.now()
        )
        return Response(WeekSerializer(self._week(), context=self.get_serializer_context()).data)


class PlannerSettingsSerializer(serializers.ModelSerializer[PlannerSettings]):
    class Meta:
        model = PlannerSettings
        exclude = ["id", "business"]


class PlannerSettingsView(SeatedView):
    """The figures the planner reckons with."""

    who = PLANNERS

    @extend_schema(responses=PlannerSettingsSerializer, operation_id="planner_settings_retrieve")
    def get(self, request: Request) -> Response:
        return Response(PlannerSettingsSerializer(settings_of(self.seat.business)).data)

    @extend_schema(
        request=PlannerSettingsSerializer, responses=PlannerSettingsSerializer, operation_id="planner_settings_update"
    )
    def patch(self, request: Request) -> Response:
        shape = PlannerSettingsSerializer(data=request.data, partial=True)
        shape.is_valid(raise_exception=True)
        kept = keep_settings(business=self.seat.business, **shape.validated_data)
        return Response(PlannerSettingsSerializer(kept).data)
