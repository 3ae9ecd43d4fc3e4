"""Every address of the service."""

from django.contrib import admin
from django.urls import include, path, re_path

from trimmer import home
from trimmer.api.openapi import UnknownView

urlpatterns = [
    path("", home.home, name="home"),
    path("health", home.health, name="health"),
    path("accounts/", include("allauth.account.urls")),
    path("", include("trimmer.views.urls")),
    path("", include("scheduling.urls")),
    path("", include("billing.urls")),
    path("api/v1/", include("trimmer.api.urls")),
    path("api/v1/", include("scheduling.api_urls")),
    path("api/v1/", include("billing.api_urls")),
    re_path("^api/.*$", UnknownView.as_view()),
    path("admin/", admin.site.urls),
]
