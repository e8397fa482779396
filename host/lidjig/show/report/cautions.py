"""The cautions that apply to every bench: each danger once. What a finding or a prompt warns of stands with it too."""

from __future__ import annotations

from lidjig.show.report.words import Said, Words

ASKED = "asked the operator: "
# In the order in which a bench meets them: charger, lit screen, battery, connector, mending, powering up again.
DANGERS = ("volts20", "backlight", "lithium", "esd", "hot_air", "backpower")


def cautions_of(words: Words) -> list[Said]:
    """One box a danger."""
    return [Said(words(f"general.{name}")) for name in DANGERS]
