"""The look's promises that a machine can check: contrast, one source of colour, no dangling names.

The contrast ratio and relative luminance are those defined in WCAG 2.2 ("contrast ratio", "relative
luminance"); the thresholds are those of success criteria 1.4.3 (text) and 1.4.11 (parts of controls).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
STATIC = ROOT / "servicedesk" / "static"
TEMPLATES = ROOT / "templates"
TOKENS = (STATIC / "tokens.css").read_text(encoding="utf-8")

PAIR = re.compile(r"^ \* pair: (--[\w-]+) on (--[\w-]+) ([\d.]+)$", re.MULTILINE)
DECLARATION = re.compile(r"(--[\w-]+):\s*([^;]+);")
COLOUR = re.compile(r"#[0-9a-fA-F]{3,8}\b|\b(?:rgb|hsl)a?\([^)]*\)")


def without_comments(css: str) -> str:
    return re.sub(r"/\*.*?\*/", "", css, flags=re.DOTALL)


def declared_after(selector: str) -> dict[str, str]:
    """The custom properties in the first block that follows ``selector``."""
    css = without_comments(TOKENS)
    start = css.index("{", css.index(selector))
    return dict(DECLARATION.findall(css[start : css.index("}", start)]))


LIGHT = declared_after(":root {")
DARK_BY_DEVICE = declared_after(':root:not([data-theme="light"]) {')
DARK_BY_CHOICE = declared_after('\n:root[data-theme="dark"] {')
PRINT = declared_after(":root[data-theme] {")
THEMES = {"light": LIGHT, "dark": LIGHT | DARK_BY_CHOICE, "print": LIGHT | PRINT}
PAIRS = [(text, ground, float(ratio)) for text, ground, ratio in PAIR.findall(TOKENS)]


def luminance(colour: str) -> float:
    """Relative luminance of a six-digit hex colour, 0 (black) to 1 (white)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21; the order does not matter."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        # The ends of the scale follow from the definition itself.
        ("#000000", "#ffffff", 21.0),
        ("#ffffff", "#ffffff", 1.0),
        # The darkest grey that still reaches 4.5 on white; known value, from memory.
        ("#767676", "#ffffff", 4.54),
    ],
)
def test_contrast_follows_the_definition(one: str, other: str, expected: float) -> None:
    assert contrast(one, other) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("text", "ground", "ratio"), PAIRS)
def test_each_declared_pair_has_its_contrast(text: str, ground: str, ratio: float, theme: str) -> None:
    values = THEMES[theme]
    assert contrast(values[text], values[ground]) >= ratio


def test_both_dark_blocks_say_the_same() -> None:
    assert DARK_BY_DEVICE == DARK_BY_CHOICE


def test_every_colour_has_a_dark_and_a_print_value() -> None:
    colours = {
        name for name, value in LIGHT.items() if COLOUR.search(value) and not name.startswith("--print")
    }
    assert colours == set(DARK_BY_CHOICE)
    assert colours == set(PRINT)


def test_every_text_colour_stands_in_a_pair() -> None:
    """A new ink cannot slip in unchecked."""
    inks = {name for name in LIGHT if name.endswith("-ink") or name == "--ink" or name.startswith("--on-")}
    inks -= {name for name in inks if name.startswith("--print")}
    assert inks - {text for text, _, _ in PAIRS} == set()


def style_sheets() -> list[Path]:
    return sorted(p for p in STATIC.rglob("*.css") if "vendor" not in p.parts and p.name != "tokens.css")


def page_templates() -> list[Path]:
    """All templates that a browser gets; print templates carry their own style."""
    return sorted(p for p in TEMPLATES.rglob("*.html") if "print" not in p.relative_to(TEMPLATES).parts)


def test_style_sheets_take_colours_from_the_tokens_only() -> None:
    found = {p.name: COLOUR.findall(without_comments(p.read_text(encoding="utf-8"))) for p in style_sheets()}
    # A page box cannot read custom properties, so a document's style sheet repeats print tokens there.
    print_values = {value for name, value in LIGHT.items() if name.startswith("--print")}
    strangers = {name: set(colours) - print_values for name, colours in found.items()}
    assert {name: colours for name, colours in strangers.items() if colours} == {}
    assert found["base.css"] == []


def test_style_sheets_use_only_tokens_that_exist() -> None:
    used = {
        name
        for sheet in style_sheets()
        for name in re.findall(r"var\((--[\w-]+)", sheet.read_text(encoding="utf-8"))
    }
    assert used - set(LIGHT) == set()
    assert "--ink" in used


def test_templates_name_only_icons_that_are_drawn() -> None:
    drawn = set(re.findall(r'<symbol id="([\w-]+)"', (STATIC / "icons.svg").read_text(encoding="utf-8")))
    used: set[str] = set()
    for template in page_templates():
        text = template.read_text(encoding="utf-8")
        used |= set(re.findall(r"icons\.svg' %}#([\w-]+)", text))
        used |= set(re.findall(r'_icon\.html" with name="([\w-]+)"', text))
        used |= set(re.findall(r'\bicon="([\w-]+)"', text))
        used |= set(re.findall(r'\btone="([\w-]+)"', text))
    assert used - drawn == set()
    assert {"ok", "soon", "overdue", "unknown", "away"} <= used


@pytest.mark.parametrize("template", page_templates(), ids=lambda p: str(p.relative_to(TEMPLATES)))
def test_no_template_has_inline_script_or_style(template: Path) -> None:
    """The content security policy refuses both, so they would silently do nothing."""
    text = template.read_text(encoding="utf-8")
    assert re.findall(r"\sstyle\s*=|<style\b|\son[a-z]+\s*=|javascript:", text) == []
    assert [tag for tag in re.findall(r"<script\b[^>]*>", text) if " src=" not in tag] == []


@pytest.mark.parametrize("template", page_templates(), ids=lambda p: str(p.relative_to(TEMPLATES)))
def test_static_files_named_by_a_template_exist(template: Path) -> None:
    named = re.findall(r"{% static '([^']+)' %}", template.read_text(encoding="utf-8"))
    assert [name for name in named if not (STATIC / name).is_file()] == []


def test_every_page_carries_the_standing_line() -> None:
    base = (TEMPLATES / "base.html").read_text(encoding="utf-8")
    assert "Shipped interval tables are defaults to confirm against local code." in base


def test_every_font_file_that_a_style_sheet_names_exists() -> None:
    """A missing file would stop the collecting of static files under hashed names."""
    named = {
        (sheet.parent / name).resolve()
        for sheet in style_sheets()
        for name in re.findall(r'url\("([^"]+)"\)', sheet.read_text(encoding="utf-8"))
    }
    assert len(named) >= 6
    assert [str(path) for path in named if not path.is_file()] == []
