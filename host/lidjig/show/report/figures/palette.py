"""Colours of the figures: names, values on light and dark paper, and the CSS that carries them.

Figures are drawn in placeholder colours, one a name; `canvas.render` turns each into a CSS variable, so that one
drawing serves light, dark and print. Power states and ribbons go from light to dark, so that they stay apart for any
eye and on any printer; hatch, name or shape say the same once more. tests/report/test_figures_palette.py holds the
checks: contrast, and distance under simulated colour blindness.
"""

from __future__ import annotations

# name: (on light paper, on dark paper)
COLOURS: dict[str, tuple[str, str]] = {
    "paper": ("#ffffff", "#15181d"),
    "ink": ("#1b2027", "#e9ecf0"),
    "soft": ("#515a66", "#aab3bf"),
    "grid": ("#d5dae0", "#39414c"),
    "frame": ("#767f8b", "#7f8996"),
    "angle": ("#0b5fa5", "#6db6f2"),
    "signal": ("#3a4450", "#c3cbd5"),
    "sleep": ("#0b5fa5", "#6db6f2"),
    "wake": ("#b8560c", "#f7ad6a"),
    "limit": ("#8c0f3c", "#f2608a"),
    "band": ("#9fb9d3", "#4b6480"),
    "gap": ("#8a5a00", "#e0b04a"),
    # power states, lightest first; on_ = text upon them
    "s0": ("#ffe08a", "#ffe08a"),
    "s3": ("#86b3dc", "#86b3dc"),
    "s5": ("#4d6080", "#4d6080"),
    "g3": ("#161c26", "#05070a"),
    "on_light": ("#161c26", "#161c26"),
    "on_dark": ("#ffffff", "#ffffff"),
    # ribbons of route and interlock
    "quiet": ("#eceff3", "#2a3039"),
    "driving": ("#ffcf9e", "#ffcf9e"),
    "linked": ("#b7d3ec", "#b7d3ec"),
    "tripped": ("#8c1236", "#b3204f"),
    # outcomes; a symbol and a word stand beside each
    "pass": ("#00707f", "#8ce6da"),
    "marginal": ("#7d5200", "#f0b83c"),
    "fail": ("#8c0f3c", "#f2608a"),
    "unset": ("#515a66", "#aab3bf"),
    "pin": ("#c9a227", "#d9b64a"),
    "shell": ("#e4e8ed", "#303844"),
}

_PREFIX = "#01"  # no colour of ours begins so


def colour(name: str) -> str:
    """The placeholder that stands for a colour of that name while matplotlib draws. Raises KeyError for the name."""
    return f"{_PREFIX}{_ORDER[name]:04x}"


_ORDER = {name: place + 1 for place, name in enumerate(COLOURS)}
PLACEHOLDERS = {colour(name): f"var(--f-{name.replace('_', '-')})" for name in COLOURS}


def css() -> str:
    """The CSS that a page with figures needs: the variables, their dark values, and light again in print."""

    def block(which: int) -> str:
        return "".join(f"--f-{name.replace('_', '-')}:{values[which]};" for name, values in COLOURS.items())

    return (
        f":root{{{block(0)}}}\n"
        f"@media (prefers-color-scheme:dark){{:root{{{block(1)}}}}}\n"
        f"@media print{{:root{{{block(0)}}}}}\n"
        "svg.fig{display:block;height:auto;fill:currentColor}\n"
        "svg.fig-wide{width:100%;min-width:640px;max-width:880px}\n"
        "svg.fig-narrow{width:100%;min-width:300px;max-width:480px}\n"
        "@media print{svg.fig-wide,svg.fig-narrow{min-width:0}}\n"
    )
