"""Work that leaves the web process, requests answered once, sheets brought in, and what was written to whom."""

from __future__ import annotations

import uuid
from typing import ClassVar, Self

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models.accounts import Business, User
from trimmer.models.clients import Client
from trimmer.models.scope import BusinessQuerySet, OwnedModel, choices_hold


class JobState(models.TextChoices):
    WAITING = "waiting", _("waiting")
    RUNNING = "running", _("running")
    DONE = "done", _("done")
    FAILED = "failed", _("failed")


class JobQuerySet(BusinessQuerySet["Job"]):
    def unfinished(self) -> Self:
        return self.filter(state__in=[JobState.WAITING, JobState.RUNNING])


class Job(OwnedModel):
    """A piece of long work. The row is the truth: a worker claims it, renews its lease with every progress it writes,
    and a job whose lease ran out is taken up by another worker."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    business = models.ForeignKey(Business, models.CASCADE, related_name="jobs")
    kind = models.CharField(_("kind"), max_length=40)
    arguments = models.JSONField(_("arguments"), default=dict)
    state = models.CharField(_("state"), max_length=8, choices=JobState.choices, default=JobState.WAITING)
    progress = models.PositiveSmallIntegerField(_("progress (percent)"), default=0)
    message = models.CharField(_("message"), max_length=300, blank=True)
    so_far = models.JSONField(_("so far"), default=dict, help_text=_("Figures of the best answer while it runs."))
    stop_asked = models.BooleanField(_("asked to stop and keep the best so far"), default=False)
    result = models.JSONField(_("result"), default=dict)
    attempts = models.PositiveSmallIntegerField(_("attempts"), default=0)
    lease = models.UUIDField(null=True, blank=True, editable=False)
    heartbeat_at = models.DateTimeField(_("heartbeat"), null=True, blank=True)
    asked_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    made_at = models.DateTimeField(_("made"), auto_now_add=True)
    finished_at = models.DateTimeField(_("finished"), null=True, blank=True)

    objects = JobQuerySet.as_manager()

    class Meta:
        verbose_name = _("job")
        verbose_name_plural = _("jobs")
        ordering = ["-made_at"]
        constraints = [
            models.CheckConstraint(condition=choices_hold("state", JobState), name="job_state_is_known"),
            models.CheckConstraint(condition=models.Q(progress__lte=100), name="job_progress_is_at_most_100"),
        ]
        indexes = [models.Index(fields=["state", "heartbeat_at"])]

    def __str__(self) -> str:
        return f"{self.kind} ({self.get_state_display()})"

    @property
    def finished(self) -> bool:
        return self.state in {JobState.DONE, JobState.FAILED}


class AnsweredRequest(OwnedModel):
    """The answer already given to a write with an Idempotency-Key."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="+")
    user = models.ForeignKey(User, models.CASCADE, related_name="+")
    key = models.CharField(max_length=100)
    fingerprint = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField(null=True)
    body = models.JSONField(null=True)
    made_at = models.DateTimeField()

    objects = BusinessQuerySet["AnsweredRequest"].as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["business", "user", "key"], name="idempotency_key_is_answered_once")
        ]

    def __str__(self) -> str:
        return self.key


class SheetState(models.TextChoices):
    CHECKING = "checking", _("being checked")
    FAULTY = "faulty", _("has faults")
    READY = "ready", _("ready to store")
    STORING = "storing", _("being stored")
    STORED = "stored", _("stored")


class SheetImport(OwnedModel):
    """A sheet somebody brought: checked first, stored only when they say so, then all of it or nothing."""

    business_path: ClassVar[str] = "business"

    business = models.ForeignKey(Business, models.CASCADE, related_name="sheet_imports")
    kind = models.CharField(_("kind"), max_length=40)
    file_name = models.CharField(_("file"), max_length=200)
    content = models.BinaryField(editable=False)
    state = models.CharField(_("state"), max_length=8, choices=SheetState.choices, default=SheetState.CHECKING)
    row_count = models.PositiveIntegerField(_("rows"), default=0)
    problems = models.JSONField(_("problems"), default=list)
    warnings = models.JSONField(_("warnings"), default=list)
    summary = models.JSONField(_("what it would change"), default=dict)
    job = models.ForeignKey(Job, models.SET_NULL, null=True, blank=True, related_name="+")
    brought_by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="+")
    brought_at = models.DateTimeField(_("brought"))
    stored_at = models.DateTimeField(_("stored"), null=True, blank=True)

    objects = BusinessQuerySet["SheetImport"].as_manager()

    class Meta:
        verbose_name = _("sheet")
        verbose_name_plural = _("sheets")
        ordering = ["-brought_at"]

    def __str__(self) -> str:
        return self.file_name


class SentMessage(OwnedModel):
    """An e-mail that was handed to the mail server, or could not be."""

    client_path: ClassVar[str] = "client"

    business = models.ForeignKey(Business, models.CASCADE, related_name="sent_messages")
    client = models.ForeignKey(Client, models.SET_NULL, null=True, blank=True, related_name="sent_messages")
    kind = models.CharField(_("kind"), max_length=40)
    recipient = models.EmailField(_("to"))
    subject = models.CharField(_("subject"), max_length=200)
    sent_at = models.DateTimeField(_("sent"))
    failed = models.BooleanField(_("failed"), default=False)

    objects = BusinessQuerySet["SentMessage"].as_manager()

    class Meta:
        verbose_name = _("message")
        verbose_name_plural = _("messages")
        ordering = ["-sent_at", "-pk"]

    def __str__(self) -> str:
        return self.subject
