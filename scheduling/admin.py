"""Proposed weeks and the planner's figures, for looking."""

from django.contrib import admin

from trimmer.admin_site import look_at

look_at(admin.site, "scheduling")
