"""The cautions that apply: of what was found, of what the operator was asked to do, and those of every bench."""

from __future__ import annotations

from lidjig.bench.actions import ACTIONS
from lidjig.record.stored import StoredRun
from lidjig.show.report.words import Said, Words

ASKED = "asked the operator: "
GENERAL = ("volts20", "lithium", "esd", "hot_air", "backpower")


def cautions_of(run: StoredRun, words: Words) -> list[Said]:
    """Each caution once, the findings' first."""
    recorded = [finding.caution for finding in run.findings if finding.caution]
    asked = [note.removeprefix(ASKED) for note in run.notes if note.startswith(ASKED)]
    recorded += [caution for words_said, caution in ACTIONS.values() if caution and words_said in asked]
    said = [words.sentence(caution) for caution in recorded]
    said += [Said(words(f"general.{name}")) for name in GENERAL]
    return list(dict.fromkeys(said))
