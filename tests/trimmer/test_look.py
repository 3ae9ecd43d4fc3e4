"""The style sheets keep what they promise: contrast in both themes, one source of colours, no style outside them.

Contrast ratio and relative luminance: W3C, WCAG 2.2, definitions "contrast ratio" and "relative luminance";
7:1 is SC 1.4.6, 3:1 for what is not text SC 1.4.11.
"""

import re
from pathlib import Path

import pytest
from django.conf import settings

from trimmer.context import PLACES, Place

STATIC = Path(settings.BASE_DIR) / "trimmer" / "static" / "trimmer"
APPS = ("trimmer", "scheduling", "billing")
TEMPLATES = sorted(path for app in APPS for path in (settings.BASE_DIR / app / "templates").rglob("*.html"))

TEXT_PAIRS = [
    *(("ink", ground) for ground in ("ground", "surface", "sunk", "accent-wash")),
    *(("ink-soft", ground) for ground in ("ground", "surface", "sunk")),
    *(("accent", ground) for ground in ("ground", "surface")),
    *(("accent-strong", ground) for ground in ("ground", "surface", "sunk")),
    *(("danger", ground) for ground in ("ground", "surface")),
    ("danger-strong", "surface"),
    ("on-accent", "accent"),
    ("on-accent", "accent-strong"),
    ("on-danger", "danger"),
    ("on-danger", "danger-strong"),
    ("on-straw", "straw"),
    ("rail-ink", "rail"),
    ("rail-ink", "rail-hover"),
    ("rail-soft", "rail"),
    *((tone, f"{tone}-wash") for tone in ("good", "warn", "bad", "info", "quiet")),
    *(("ink", f"{tone}-wash") for tone in ("good", "warn", "bad", "info", "quiet")),
    *(("accent", f"{tone}-wash") for tone in ("warn", "bad")),
    ("bad", "ground"),
    ("bad", "surface"),
]
SHAPE_PAIRS = [
    *(("edge", ground) for ground in ("ground", "surface", "sunk")),
    *(("focus", ground) for ground in ("ground", "surface", "sunk")),
    ("straw", "rail"),
]


def declarations(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+):\s*([^;]+);", block))


def blocks(selector: str) -> list[dict[str, str]]:
    text = re.sub(r"/\*.*?\*/", "", (STATIC / "tokens.css").read_text(), flags=re.DOTALL)
    return [declarations(body) for name, body in re.findall(r"([^{}]+)\{([^{}]*)\}", text) if name.strip() == selector]


LIGHT = blocks(":root")[0]
DARK = LIGHT | blocks(':root[data-theme="dark"]')[0]


def luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_is_21_between_black_and_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("text", "ground"), TEXT_PAIRS)
def test_text_stands_out_7_to_1(theme: dict[str, str], text: str, ground: str) -> None:
    assert contrast(theme[text], theme[ground]) >= 7


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("shape", "ground"), SHAPE_PAIRS)
def test_edges_and_the_focus_ring_stand_out_3_to_1(theme: dict[str, str], shape: str, ground: str) -> None:
    assert contrast(theme[shape], theme[ground]) >= 3


def test_the_chosen_dark_theme_is_the_one_the_device_asks_for() -> None:
    assert blocks(':root[data-theme="dark"]') == blocks(':root:not([data-theme="light"])')


def test_only_the_tokens_name_colours() -> None:
    screen = (STATIC / "look.css").read_text().split("/* ---- paper ---- */")[0]
    named = re.findall(r"#[0-9a-fA-F]{3,8}\b(?![^{}]*\{)|\b(?:white|black)\b(?=\s*;)", screen)
    assert named == []


def test_every_token_in_use_exists() -> None:
    used = set(re.findall(r"var\(--([\w-]+)", (STATIC / "look.css").read_text()))
    assert used <= set(LIGHT)


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.relative_to(settings.BASE_DIR).as_posix())
def test_a_template_holds_no_style_and_no_script_of_its_own(path: Path) -> None:
    text = path.read_text()
    assert not re.search(r"<style\b|\sstyle\s*=|\son[a-z]+\s*=\s*[\"']|\shx-on|javascript:", text)
    for attributes in re.findall(r"<script\b([^>]*)>", text):
        assert "src=" in attributes or 'type="application/json"' in attributes


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.relative_to(settings.BASE_DIR).as_posix())
def test_every_icon_a_template_asks_for_is_drawn(path: Path) -> None:
    drawn = set(re.findall(r'<symbol id="([\w-]+)"', (STATIC / "icons.svg").read_text()))
    asked = set(re.findall(r'{% icon "([\w-]+)"', path.read_text()))
    asked |= set(re.findall(r'\bicon="([\w-]+)"', path.read_text()))
    assert asked <= drawn


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.url_name)
def test_every_icon_of_the_navigation_is_drawn(place: Place) -> None:
    assert f'<symbol id="{place.icon}"' in (STATIC / "icons.svg").read_text()
