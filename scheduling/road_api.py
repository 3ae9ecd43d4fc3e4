"""The API about roads, rigs, ways and rounds as they are driven."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.shortcuts import get_object_or_404
from django.urls import URLPattern, path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers, viewsets
from rest_framework.parsers import JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from scheduling.drives import how_reckoned
from scheduling.road_models import CrewRig, RoadExtract, RoadSet, TravelSettings
from scheduling.services import roads, travel
from scheduling.services.rounds import DrivenRound, round_of
from scheduling.travel import matrix
from scheduling.travel.trackfile import geo_link
from trimmer.access import MEMBERS, OWNER, TRIMMER
from trimmer.api.access import SeatedView
from trimmer.api.businesses import JobSerializer
from trimmer.models import Base, Crew, Farm

MADE = {matrix.ROADS: "roads", matrix.STRAIGHT: "straight", matrix.SERVER: "server", matrix.UNKNOWN: "same"}


class RoadSetSerializer(serializers.ModelSerializer[RoadSet]):
    class Meta:
        model = RoadSet
        fields = ["rig_key", "rig", "build_seconds", "size_bytes", "built_at"]
        read_only_fields = fields


class RoadExtractSerializer(serializers.ModelSerializer[RoadExtract]):
    """The extract in use: what it is, what it covers, and the rigs its roads are built for."""

    sets = RoadSetSerializer(many=True, read_only=True)

    class Meta:
        model = RoadExtract
        fields = [
            *("id", "file_name", "checksum", "size_bytes", "dated_at", "south", "west", "north", "east"),
            *("road_count", "loaded_at", "sets"),
        ]
        read_only_fields = fields


class RoadsSerializer(serializers.Serializer[Any]):
    in_use = RoadExtractSerializer(allow_null=True)


class LoadSerializer(serializers.Serializer[Any]):
    """An extract (.osm.pbf): uploaded as `upload`, or the name of one in the folder the service may read."""

    upload = serializers.FileField(required=False)
    server_path = serializers.CharField(required=False, max_length=400)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if len(attrs) != 1:
            raise serializers.ValidationError("Give either upload or server_path.")
        return attrs


class RoadsView(SeatedView, viewsets.ViewSet):
    """The roads a business drives by. POST an extract to have it built by a worker (see /jobs); the ones used so far
    stay in use until it has answered."""

    who = {"retrieve": MEMBERS, "create": frozenset({OWNER})}
    parser_classes = [MultiPartParser, JSONParser]

    @extend_schema(responses=RoadsSerializer, operation_id="roads_retrieve")
    def retrieve(self, request: Request) -> Response:
        return Response(RoadsSerializer({"in_use": roads.extract_in_use(self.seat.business)}).data)

    @extend_schema(
        request={"multipart/form-data": LoadSerializer, "application/json": LoadSerializer},
        responses={202: JobSerializer},
        operation_id="roads_load",
    )
    def create(self, request: Request) -> Response:
        form = LoadSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        business, by = self.seat.business, self.seat.user
        if upload := form.validated_data.get("upload"):
            job = roads.load_uploaded(business=business, chunks=upload.chunks(), file_name=upload.name, by=by)
        else:
            job = roads.load_from_server(business=business, name=form.validated_data["server_path"], by=by)
        return Response(JobSerializer(job).data, status=HTTPStatus.ACCEPTED)


class DrivingSettingsSerializer(serializers.ModelSerializer[TravelSettings]):
    class Meta:
        model = TravelSettings
        fields = ["farthest_from_road_m", "learns"]


class DrivingSettingsView(SeatedView, viewsets.ViewSet):
    """How far a place may lie from a road, and whether drives are learned from."""

    who = {"retrieve": MEMBERS, "partial_update": frozenset({OWNER})}

    @extend_schema(responses=DrivingSettingsSerializer, operation_id="driving_settings_retrieve")
    def retrieve(self, request: Request) -> Response:
        return Response(DrivingSettingsSerializer(roads.driving_settings_of(self.seat.business)).data)

    @extend_schema(
        request=DrivingSettingsSerializer, responses=DrivingSettingsSerializer, operation_id="driving_settings_update"
    )
    def partial_update(self, request: Request) -> Response:
        form = DrivingSettingsSerializer(data=request.data, partial=True)
        form.is_valid(raise_exception=True)
        kept = roads.keep_driving_settings(business=self.seat.business, **form.validated_data)
        return Response(DrivingSettingsSerializer(kept).data)


class RigSerializer(serializers.ModelSerializer[CrewRig]):
    """Kilometres an hour, metres, kilograms and seconds."""

    class Meta:
        model = CrewRig
        fields = list(CrewRig.FIGURES)


class OfCrew(SeatedView, viewsets.ViewSet):
    """The base of what hangs on a crew."""

    def crew(self, pk: int) -> Crew:
        return get_object_or_404(Crew.objects.seen_by(self.seat).select_related("base", "business"), pk=pk)


class RigView(OfCrew):
    """A crew's rig. Where roads are in use they are built for a changed one by a worker."""

    who = {"retrieve": MEMBERS, "partial_update": frozenset({OWNER, TRIMMER})}

    @extend_schema(responses=RigSerializer, operation_id="crew_rig_retrieve")
    def retrieve(self, request: Request, pk: int) -> Response:
        crew = self.crew(pk)
        return Response(RigSerializer(CrewRig.objects.filter(crew=crew).first() or CrewRig(crew=crew)).data)

    @extend_schema(request=RigSerializer, responses=RigSerializer, operation_id="crew_rig_update")
    def partial_update(self, request: Request, pk: int) -> Response:
        crew = self.crew(pk)
        form = RigSerializer(data=request.data, partial=True)
        form.is_valid(raise_exception=True)
        return Response(RigSerializer(roads.keep_rig(crew=crew, by=self.seat.user, **form.validated_data)).data)


class WayPlaceSerializer(serializers.Serializer[Any]):
    base = serializers.IntegerField(allow_null=True)
    farm = serializers.IntegerField(allow_null=True)
    latitude = serializers.FloatField()
    longitude = serializers.FloatField()


def _square(what: str) -> serializers.ListField:
    rows = serializers.ListField(child=serializers.IntegerField())
    return serializers.ListField(child=rows, help_text=f"{what} from each place (row) to each (column).")


class WaysSerializer(serializers.Serializer[Any]):
    """Square tables in the order of `places`. `made` says of each way how it was had: roads, server or straight."""

    places = WayPlaceSerializer(many=True)
    minutes = _square("Whole minutes")
    metres = _square("Metres")
    made = serializers.ListField(child=serializers.ListField(child=serializers.CharField()))
    source = serializers.CharField()  # type: ignore[assignment]
    reckoned = serializers.CharField(help_text="One sentence for people.")


class WaysView(OfCrew):
    """Minutes and metres between all bases and farms, as a crew's rig drives them."""

    who = MEMBERS

    @extend_schema(responses=WaysSerializer, operation_id="crew_ways_retrieve")
    def retrieve(self, request: Request, pk: int) -> Response:
        crew = self.crew(pk)
        bases = [(base.pk, None, (base.latitude, base.longitude)) for base in Base.objects.of(crew.business)]
        farms = Farm.objects.of(crew.business).current().order_by("pk")
        placed = [(None, farm.pk, farm.position) for farm in farms if farm.position]
        places = [place for _base, _farm, place in (*bases, *placed)]
        found = travel.ways(business=crew.business, rig=roads.rig_of(crew), places=places)
        answer = {
            "places": [
                {"base": base, "farm": farm, "latitude": place[0], "longitude": place[1]}
                for base, farm, place in (*bases, *placed)
            ],
            "minutes": matrix.whole_minutes(found.block.seconds),
            "metres": matrix.whole_metres(found.block.metres),
            "made": [[MADE[int(value)] for value in row] for row in found.block.made],
            "source": found.source,
            "reckoned": how_reckoned(f"{found.source}|straight={found.by_straight_line}").sentence,
        }
        return Response(WaysSerializer(answer).data)


class DriveSerializer(serializers.Serializer[Any]):
    """A farm of a round, with the drive to it. `alone_m`: from the base and back, if nothing else lay on the way."""

    farm = serializers.IntegerField(source="farm.pk")
    visit = serializers.IntegerField(allow_null=True)
    start_at = serializers.DateTimeField(source="start", allow_null=True)
    end_at = serializers.DateTimeField(source="end", allow_null=True)
    head = serializers.IntegerField()
    metres = serializers.IntegerField()
    minutes = serializers.IntegerField()
    alone_m = serializers.IntegerField()
    by_road = serializers.BooleanField()
    geo = serializers.SerializerMethodField(help_text="An address that a phone opens in its own navigator.")

    def get_geo(self, stop: Any) -> str:
        return geo_link(stop.place)


class DrivenRoundSerializer(serializers.Serializer[DrivenRound]):
    """A crew's day on the road; money at the planner's figures. `shape`: latitude and longitude along the way."""

    crew = serializers.IntegerField(source="crew.pk")
    date = serializers.DateField()
    proposed = serializers.BooleanField()
    stops = DriveSerializer(many=True)
    home_metres = serializers.IntegerField()
    home_minutes = serializers.IntegerField()
    metres = serializers.IntegerField()
    minutes = serializers.IntegerField()
    km_money = serializers.DecimalField(max_digits=12, decimal_places=2)
    hour_money = serializers.DecimalField(max_digits=12, decimal_places=2)
    money = serializers.DecimalField(max_digits=12, decimal_places=2)
    alone_m = serializers.IntegerField()
    source = serializers.CharField()  # type: ignore[assignment]
    shape = serializers.ListField(child=serializers.ListField(child=serializers.FloatField()))


class AskedDaySerializer(serializers.Serializer[Any]):
    date = serializers.DateField()


class AnswerSerializer(serializers.Serializer[Any]):
    round = DrivenRoundSerializer(allow_null=True)


class RoundView(OfCrew):
    """A crew's round of a day as it is driven: the booked one, or else the one proposed; null when it goes nowhere."""

    who = MEMBERS

    @extend_schema(
        parameters=[OpenApiParameter("date", str, required=True, description="ISO 8601 day.")],
        responses=AnswerSerializer,
        operation_id="crew_round_retrieve",
    )
    def retrieve(self, request: Request, pk: int) -> Response:
        crew = self.crew(pk)
        asked = AskedDaySerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        driven = round_of(business=crew.business, crew=crew, date=asked.validated_data["date"])
        return Response(AnswerSerializer({"round": driven}).data)


CHANGED: dict[str, Any] = {"get": "retrieve", "patch": "partial_update"}

urlpatterns: list[URLPattern] = [
    path("roads", RoadsView.as_view({"get": "retrieve", "post": "create"}), name="api-roads"),
    path("driving-settings", DrivingSettingsView.as_view(CHANGED), name="api-driving-settings"),
    path("crews/<int:pk>/rig", RigView.as_view(CHANGED), name="api-crew-rig"),
    path("crews/<int:pk>/ways", WaysView.as_view({"get": "retrieve"}), name="api-crew-ways"),
    path("crews/<int:pk>/round", RoundView.as_view({"get": "retrieve"}), name="api-crew-round"),
]
