"""What a run was made with: versions, identities, how the jig was reached, when it began and how long it took."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime
from pathlib import PurePath

from lidjig.bench.machine import MachineProfile
from lidjig.record.axis import boots_of
from lidjig.record.stored import StoredRun
from lidjig.show.report.customer import Fact, verdict_of
from lidjig.show.report.words import Words


def versions_of(run: StoredRun, machine: MachineProfile | None, words: Words) -> Iterable[Fact]:
    """Each fact that the record has."""
    if run.row_lost:
        unknown = ("host", "firmware", "board_id", "link", "command", "started", "ended", "recorded_outcome")
        return [Fact(key, words(f"page.{key}"), words("form.unknown")) for key in unknown]
    told = {
        "host": f"lidjig {run.host_version}",
        "firmware": run.firmware_version,
        "board_id": run.board_id,
        "profile": "" if machine is None else f"{machine.name}: {machine.title}",
        "link": _link(run.link_details, words),
        "seed": run.seed or "",
        "command": " ".join(["lidjig", *map(_short, run.argv)]),
        "started": words.date(run.started_utc),
        "ended": words.date(run.ended_utc),
        "duration": _duration(run, words),
        "resumes": run.resumes or "",
        "recorded_outcome": verdict_of(run, words).word,
    }
    return [Fact(key, words(f"page.{key}"), value) for key, value in told.items() if value]


def _short(word: str) -> str:
    """A word of the command line, a file's path as its name: the folders of a computer are nobody else's business."""
    before, sign, path = word, "", ""
    for mark in ("=", ":"):
        head, found, tail = word.partition(mark)
        # A drive's letter and a colon begin a path; "twin:" and "--store=" stand before one.
        if found and len(head) > 1 and ("/" in tail or "\\" in tail) and not {"/", "\\"} & set(head):
            before, sign, path = head, found, tail
            break
    if not path:
        return re.split(r"[/\\]", word)[-1] or word
    return before + sign + (re.split(r"[/\\]", path)[-1] or path)


def _link(link: dict[str, str], words: Words) -> str:
    """How the jig was reached; a kind that is not known here with its details as they were kept."""
    kind = link.get("kind", "")
    told = [words(f"link.{kind}") if words.has(f"link.{kind}") else kind]
    named = {**link, "scenario": PurePath(link.get("scenario", "")).name}
    for key in ("port", "port_description", "usb_serial", "scenario", "title", "vm", "interpreter", "recording"):
        if named.get(key) and "\n" not in named[key]:
            told.append(f"{words(f'link.{key}')} {named[key]}")
    return ", ".join(part for part in told if part)


def _duration(run: StoredRun, words: Words) -> str:
    """By the computer's clock, where the run was closed, and by the board's own."""
    told = []
    try:
        if run.ended_utc is not None:
            seconds = (datetime.fromisoformat(run.ended_utc) - datetime.fromisoformat(run.started_utc)).total_seconds()
            told.append(words("page.duration_wall", time=words.length(seconds)))
    except ValueError:
        pass  # a stamp that is none tells no duration
    if run.events:
        board_us = sum(boot.end_us - boot.begin_us for boot in boots_of(run))
        told.append(words("page.duration_board", time=words.length(board_us / 1e6)))
    return words("form.list").join(told)
