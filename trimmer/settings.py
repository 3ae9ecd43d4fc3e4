"""The one settings file. The defaults run (SQLite, an embedded Valkey); the environment changes them."""

import importlib.util
import os
import secrets
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import dj_database_url
import django_stubs_ext
from django.core.exceptions import ImproperlyConfigured
from django.utils.translation import gettext_lazy as _

from trimmer.embedded import broker_url

django_stubs_ext.monkeypatch()  # classes that are generic to the type checker only: ModelForm[Client]

BASE_DIR = Path(__file__).resolve().parent.parent


def read_text(name: str, default: str = "") -> str:
    """The environment variable `name`, stripped; `default` when unset or empty."""
    return os.environ.get(name, "").strip() or default


def read_flag(name: str, *, default: bool) -> bool:
    """A yes/no environment variable. Raises ImproperlyConfigured on anything but 1/0, true/false, yes/no."""
    text = read_text(name, "1" if default else "0").lower()
    if text in {"1", "true", "yes"}:
        return True
    if text in {"0", "false", "no"}:
        return False
    raise ImproperlyConfigured(f"{name} must be 1 or 0, not {text!r}")


def read_number(name: str, default: int, *, least: int, most: int) -> int:
    """A whole number between `least` and `most`. Raises ImproperlyConfigured otherwise."""
    text = read_text(name, str(default))
    if not text.isdigit() or not least <= int(text) <= most:
        raise ImproperlyConfigured(f"{name} must be a whole number from {least} to {most}, not {text!r}")
    return int(text)


def read_list(name: str, default: str) -> list[str]:
    """A comma-separated list."""
    return [part.strip() for part in read_text(name, default).split(",") if part.strip()]


def tile_origins(address: str) -> list[str]:
    """What the browser may load map tiles from. Raises ImproperlyConfigured for an address that is none of tiles."""
    if not address:
        return []
    parts = urlsplit(address)
    if parts.scheme not in {"http", "https"} or not all(part in address for part in ("{z}", "{x}", "{y}")):
        raise ImproperlyConfigured(f"MAP_TILES must be an http address with {{z}}, {{x}} and {{y}}, not {address!r}")
    return [f"{parts.scheme}://{parts.netloc.replace('{s}', '*')}"]


VAR_DIR = Path(read_text("TRIMROUND_VAR", str(BASE_DIR / ".var")))


def read_secret_key() -> str:
    """SECRET_KEY, or one made once and kept in the var folder."""
    given = read_text("SECRET_KEY")
    if given:
        return given
    VAR_DIR.mkdir(parents=True, exist_ok=True)
    kept = VAR_DIR / "secret_key"
    if not kept.exists():
        kept.write_text(secrets.token_urlsafe(50))
        kept.chmod(0o600)
    return kept.read_text().strip()


DEBUG = read_flag("DEBUG", default=False)
SECRET_KEY = read_secret_key()
ALLOWED_HOSTS = read_list("ALLOWED_HOSTS", "localhost,127.0.0.1,[::1]")
CSRF_TRUSTED_ORIGINS = read_list("CSRF_TRUSTED_ORIGINS", "")
SITE_URL = read_text("SITE_URL", "http://localhost:8000").rstrip("/")  # what links in e-mails start with
HTTPS_ONLY = read_flag("HTTPS_ONLY", default=SITE_URL.startswith("https://"))

INSTALLED_APPS = [
    "trimmer.apps.TrimmerConfig",
    "scheduling.apps.SchedulingConfig",
    "billing.apps.BillingConfig",
    "trimmer.apps.LookOnlyAdminConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django.forms",
    "allauth",
    "allauth.account",
    "csp",
    "django_filters",
    "django_htmx",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "rest_framework",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "trimmer.acting.ActingMiddleware",
    "trimmer.access.SeatMiddleware",
    "trimmer.access.RefusalMiddleware",
]

ROOT_URLCONF = "trimmer.urls"
WSGI_APPLICATION = "trimmer.wsgi.application"
TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "trimmer.context.page_frame",
            ],
        },
    },
]
FORM_RENDERER = "trimmer.rendering.FieldRenderer"

# Database. IMMEDIATE: a transaction that reads and then writes would otherwise fail with "database is locked".
SQLITE_OPTIONS: dict[str, Any] = {
    "timeout": 20,
    "transaction_mode": "IMMEDIATE",
    "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;",
}
DATABASE_URL = read_text("DATABASE_URL", f"sqlite:///{VAR_DIR / 'trimround.sqlite3'}")
if DATABASE_URL.startswith("sqlite"):
    Path(DATABASE_URL.removeprefix("sqlite:///")).parent.mkdir(parents=True, exist_ok=True)
DATABASES: dict[str, Any] = {"default": dj_database_url.parse(DATABASE_URL, conn_max_age=60, conn_health_checks=True)}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    DATABASES["default"]["OPTIONS"] = SQLITE_OPTIONS
    DATABASES["default"]["CONN_MAX_AGE"] = 0
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# Work that leaves the web process. acks_late and a short visibility timeout: a worker that dies gives its work back.
REDIS_URL = read_text("REDIS_URL")
CELERY_BROKER_URL = REDIS_URL or broker_url(VAR_DIR)
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_IGNORE_RESULT = True
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": 300,  # longer than any task: a job's own lease takes over sooner
    "unacked_restore_interval": 2,
    "unacked_restore_throttle": 1,
    "socket_connect_timeout": 5,
    "socket_timeout": 5,
    "retry_on_timeout": True,
}
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TIMEZONE = "UTC"
CELERY_BEAT_SCHEDULE = {
    "requeue-stale-jobs": {"task": "trimmer.tasks.requeue_stale_jobs", "schedule": 10.0},
    "try-mails-again": {"task": "billing.tasks.try_mails_again", "schedule": 60.0},
    "keep-ways-ready": {"task": "scheduling.road_tasks.keep_ways_ready", "schedule": 30.0},
    "learn-each-night": {"task": "scheduling.pace_tasks.learn_each_night", "schedule": 3600.0},
    "tidy-roads": {"task": "scheduling.road_tasks.tidy_roads", "schedule": 6 * 3600.0},
}
CELERY_BEAT_SCHEDULE_FILENAME = str(VAR_DIR / "beat-schedule")
JOB_LEASE_SECONDS = read_number("JOB_LEASE_SECONDS", 20, least=2, most=3600)

# Roads. Extracts put in this folder can be chosen on the page of roads; uploads need no folder.
ROADS_FOLDER = Path(read_text("ROADS_FOLDER", str(VAR_DIR / "extracts")))
# A road server of one's own (kind: osrm or valhalla), asked for businesses that have loaded no extract.
ROAD_SERVER_URL = read_text("ROAD_SERVER_URL")
ROAD_SERVER_KIND = read_text("ROAD_SERVER_KIND", "osrm")
ROAD_SERVER_SECONDS = read_number("ROAD_SERVER_SECONDS", 5, least=1, most=60)
if ROAD_SERVER_KIND not in {"osrm", "valhalla"}:
    raise ImproperlyConfigured(f"ROAD_SERVER_KIND must be osrm or valhalla, not {ROAD_SERVER_KIND!r}")
# Map tiles: an address with {z}, {x} and {y}. Empty: the map shows the roads of the extract and asks nobody.
MAP_TILES = read_text("MAP_TILES")
MAP_TILES_CREDIT = read_text("MAP_TILES_CREDIT")

# Counts of sign-in attempts, shared by all web processes.
CACHES: dict[str, Any] = {
    "default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}
    if REDIS_URL
    else {"BACKEND": "django.core.cache.backends.filebased.FileBasedCache", "LOCATION": str(VAR_DIR / "cache")}
}

# People
AUTH_USER_MODEL = "trimmer.User"
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "home"
ACCOUNT_ADAPTER = "trimmer.accounts.ByInvitationOnly"
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*"]
ACCOUNT_EMAIL_VERIFICATION = "none"  # the invitation came by e-mail
ACCOUNT_LOGOUT_ON_GET = False
ACCOUNT_SESSION_REMEMBER = True
ACCOUNT_EMAIL_SUBJECT_PREFIX = ""
ACCOUNT_LOGOUT_REDIRECT_URL = "account_login"
SESSION_COOKIE_AGE = 60 * 60 * 24 * 60

# Browser
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "img-src": ["'self'", "data:", *tile_origins(MAP_TILES)],
        "object-src": ["'none'"],
        "base-uri": ["'none'"],
        "form-action": ["'self'"],
        "frame-ancestors": ["'none'"],
    }
}
X_FRAME_OPTIONS = "DENY"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = HTTPS_ONLY
SECURE_HSTS_SECONDS = 31_536_000 if HTTPS_ONLY else 0
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if read_flag("BEHIND_PROXY", default=False) else None

# Language, zone and units come from the business of the request; these are the defaults before sign-in.
LANGUAGE_CODE = "en"
LANGUAGES = [("en", _("English"))]
USE_TZ = True
TIME_ZONE = "UTC"
LOCALE_PATHS = [BASE_DIR / "trimmer" / "locale"]

STATIC_URL = "/static/"
STATIC_ROOT = Path(read_text("STATIC_ROOT", str(VAR_DIR / "static")))
STATIC_ROOT.mkdir(parents=True, exist_ok=True)
WHITENOISE_USE_FINDERS = True
# Leaflet's own files out of django-leaflet; the app itself needs GDAL from the system, which nothing here does.
LEAFLET = importlib.util.find_spec("leaflet")
STATICFILES_DIRS = [
    ("leaflet", str(Path(folder) / "static" / "leaflet"))
    for folder in getattr(LEAFLET, "submodule_search_locations", ())
]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
DATA_UPLOAD_MAX_MEMORY_SIZE = 25 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 20_000

# E-mail: printed to the console until EMAIL_HOST is set, or kept as files in EMAIL_FOLDER for trying things out.
EMAIL_HOST = read_text("EMAIL_HOST")
EMAIL_FILE_PATH = read_text("EMAIL_FOLDER")
_MAIL_GOES = "smtp" if EMAIL_HOST else "filebased" if EMAIL_FILE_PATH else "console"
EMAIL_BACKEND = f"django.core.mail.backends.{_MAIL_GOES}.EmailBackend"
EMAIL_PORT = read_number("EMAIL_PORT", 587, least=1, most=65535)
EMAIL_HOST_USER = read_text("EMAIL_HOST_USER")
EMAIL_HOST_PASSWORD = read_text("EMAIL_HOST_PASSWORD")
EMAIL_USE_TLS = read_flag("EMAIL_USE_TLS", default=bool(EMAIL_HOST))
DEFAULT_FROM_EMAIL = read_text("DEFAULT_FROM_EMAIL", "Trimround <no-reply@trimround.invalid>")

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "trimmer.api.signin.TokenSignIn",
        "trimmer.api.signin.SessionSignIn",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["trimmer.api.permissions.ByRole"],
    "DEFAULT_PAGINATION_CLASS": "trimmer.api.paging.Pages",
    "PAGE_SIZE": 50,
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_SCHEMA_CLASS": "trimmer.api.access.Schema",
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser", "rest_framework.parsers.MultiPartParser"],
    "EXCEPTION_HANDLER": "trimmer.api.refusals.answer",
    "DEFAULT_THROTTLE_RATES": {"sign_in": "10/min"},
    "COERCE_DECIMAL_TO_STRING": True,
    "DATETIME_FORMAT": None,  # as stored: UTC, written "...Z" by the encoder, not on the clock of the zone in force
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Trimround",
    "DESCRIPTION": "Rounds, records, rechecks and bills of a cattle hoof trimming business.",
    "VERSION": "1",
    "SERVE_PERMISSIONS": ["trimmer.api.permissions.ByRole"],
    "SERVE_INCLUDE_SCHEMA": False,
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "REDOC_DIST": "SIDECAR",
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_NAME_OVERRIDES": {
        "ChuteKindEnum": "trimmer.models.ChuteKind",
        "WeekdayEnum": "trimmer.models.Weekday",
        "HeadKindEnum": "trimmer.models.HeadKind",
        "InvoiceKindEnum": "billing.models.InvoiceKind",
        "InvoiceStateEnum": "billing.models.InvoiceState",
        "ListReasonEnum": "trimmer.models.ListReason",
        "TaxCodeEnum": "billing.models.TaxCode",
        "TreatmentKindEnum": "trimmer.models.TreatmentKind",
    },
}

LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"plain": {"format": "{asctime} {levelname} {name} {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "plain"}},
    "root": {"handlers": ["console"], "level": read_text("LOG_LEVEL", "WARNING")},
}
