"""The record on the command line: filters, attachments, merging, rescue."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lidjig.cli import main
from lidjig.record import open_store

from tests.cli.conftest import Ran

Run = Callable[..., Any]


class Batch:
    """As the jig gives it."""

    def __init__(self, channel: str, number: int, t_us: int, n: int) -> None:
        self.channel, self.number, self.t_us, self.span_us = channel, number, t_us, 1000 * (n - 1)
        self.data = np.arange(n, dtype="<u2").tobytes()


def make(path: str | Path, *commands: str, job: str | None = None, machine: str = "alder-14") -> None:
    """Closed runs without a bench."""
    with open_store(path) as store:
        for command in commands:
            made = store.start_run(command, job=job, texts={"machine": f'name = "{machine}"'})
            made.channel("light", "V", 0.001)
            made.batch(Batch("light", 1, 0, 80))
            made.batch(Batch("light", 2, 160_000, 80))
            made.finish("fail" if command == "isolate" else "pass")


def date(path: str | Path, *stamps: str) -> None:
    """Give runs 1, 2, ... another beginning."""
    with sqlite3.connect(path) as plain:
        for number, stamp in enumerate(stamps, start=1):
            plain.execute(
                "UPDATE runs SET started_utc = ?, checksum = NULL WHERE number = ?", (f"{stamp}:00.000+00:00", number)
            )
    plain.close()


@pytest.fixture
def filled(store: str) -> str:
    make(store, "confirm", "isolate", job="ticket 17")
    make(store, "cycle", job="ticket 18", machine="birch-13")
    with open_store(store) as opened:
        opened.start_run("cycle")
    date(store, "2026-01-05T10:00", "2026-01-06T23:59", "2026-01-07T00:00", "2026-02-01T12:00")
    return store


# -- runs


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ((), [4, 3, 2, 1]),
        (("--job", "ticket 17"), [2, 1]),
        (("--machine", "alder-14"), [2, 1]),
        (("--machine", "birch-13", "--command", "cycle"), [3]),
        (("--command", "cycle"), [4, 3]),
        (("--outcome", "fail"), [2]),
        (("--outcome", "incomplete"), [4]),
        (("--since", "2026-01-06"), [4, 3, 2]),
        (("--until", "2026-01-06"), [2, 1]),
        (("--since", "2026-01-07", "--until", "2026-01-07"), [3]),
        (("--since", "2026-01-07T00:30+01:00"), [4, 3, 2]),
        (("--until", "2026-01-06 23:58"), [1]),
        (("--job", "ticket 17", "--outcome", "pass", "--machine", "alder-14"), [1]),
        (("--job", "ticket 18", "--outcome", "fail"), []),
        (("--last", "2"), [4, 3]),
    ],
)
def test_runs_are_filtered(words: tuple[str, ...], wanted: list[int], run: Run, filled: str) -> None:
    listed = run("runs", *words, "--json")
    assert listed.status == 0
    assert [row["run"] for row in listed.json["runs"]] == [f"r-{n:06d}" for n in wanted]
    shown = run("runs", *words)
    assert shown.status == 0 and [line[:8] for line in shown.out.splitlines() if line.startswith("r-")] == [
        f"r-{n:06d}" for n in wanted
    ]


@pytest.mark.parametrize(
    ("words", "key", "accepted"),
    [
        (("--outcome", "good"), "--outcome", "pass, fail, error, incomplete"),
        (("--since", "yesterday"), "--since", "2026-11-25"),
        (("--since", "2026-02-30"), "--since", "2026-11-25"),
        (("--until", "2026-1-5"), "--until", "2026-11-25"),
        (("--until", "9999-12-31"), "--until", "2026-11-25"),
        (("--since", ""), "--since", "2026-11-25"),
        (("--since", "2026-01-08", "--until", "2026-01-07"), "--until", "not before --since"),
        (("--machine", "alder"), "--machine", "alder-14, birch-13"),
        (("--command", "teach"), "--command", "confirm, cycle, isolate"),
        (("--job", "ticket 99"), "job", "ticket 17, ticket 18"),
        (("--last", "0"), "--last = 0", "Accepted: 1 or more"),
    ],
)
def test_a_filter_that_cannot_be_is_refused(
    words: tuple[str, ...], key: str, accepted: str, run: Run, filled: str
) -> None:
    ran = run("runs", *words)
    assert ran.status == 2 and ran.out == "" and key in ran.err and accepted in ran.err
    assert "Traceback" not in ran.err
    assert run("runs", *words, "--json").json["outcome"] == "error"


def test_show_tells_channels_and_attachments(run: Run, filled: str, tmp_path: Path) -> None:
    photo = tmp_path / "board.jpg"
    photo.write_bytes(b"x" * 2500)
    assert run("attach", "1", str(photo)).status == 0
    shown = run("show", "1").out
    assert "Sampled channels\n  light: 160 samples, 1000/s, 0.239 s from 0.000000 s, 1 gap, in V\n" in shown
    assert "Attachments\n  board.jpg, image/jpeg, 2.5 kB, SHA-256 " in shown and "machine         alder-14" in shown
    told = run("show", "1", "--json").json
    assert told["channels"] == [
        {"channel": "light", "unit": "V", "n": 160, "rate_hz": 1000.0, "begin_us": 0, "end_us": 239_000, "gaps": 1}
    ]
    assert [a["name"] for a in told["attachments"]] == ["board.jpg"] and len(told["uid"]) == 32
    assert "Sampled" not in run("show", "4").out


# -- attach


def test_a_file_is_attached_listed_and_taken_out(run: Run, filled: str, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    note, photo = tmp_path / "meter log.csv", tmp_path / "photo.jpg"
    note.write_text("t,v\n0,1\n")
    photo.write_bytes(bytes(range(256)))
    ran = run("attach", "last", str(note), str(photo))
    assert (ran.status, ran.out) == (0, "Attached to r-000004: meter log.csv\nAttached to r-000004: photo.jpg\n")
    assert run("attach", "last", str(note)).out == "Was attached already to r-000004: meter log.csv\n"
    listed = run("attach", "last", "--list")
    assert listed.out.splitlines()[0].startswith("meter log.csv, text/csv, 8 bytes, SHA-256 ")
    (first, second) = run("attach", "4", "--list", "--json").json["attachments"]
    assert second["media_type"] == "image/jpeg" and second["size"] == 256
    taken = run("attach", "4", "--take", "photo.jpg", str(folder))
    assert (taken.status, taken.out) == (0, f"Written: {folder / 'photo.jpg'}\n")
    assert (folder / "photo.jpg").read_bytes() == photo.read_bytes()
    (folder / "photo.jpg").write_bytes(b"mine")
    again = run("attach", "4", "--take", "photo.jpg", str(folder))
    assert again.status == 2 and "nothing is overwritten" in again.err
    assert (folder / "photo.jpg").read_bytes() == b"mine"
    assert run("attach", "4", "--take", first["sha256"][:10], str(folder)).status == 0


def test_the_same_content_is_stored_once(run: Run, filled: str, tmp_path: Path) -> None:
    one, two = tmp_path / "one.txt", tmp_path / "two.txt"
    one.write_text("same")
    two.write_text("same")
    for words in (("1", str(one)), ("2", str(one)), ("2", str(two)), ("--job", "ticket 17", str(one))):
        assert run("attach", *words).status == 0
    with sqlite3.connect(filled) as plain:
        assert plain.execute("SELECT count(*), sum(size) FROM attachments").fetchone() == (1, 4)
        assert plain.execute("SELECT count(*) FROM run_attachments").fetchone() == (3,)
    plain.close()
    assert "one.txt" in run("job", "ticket 17").out
    assert run("job", "ticket 17", "--json").json["attachments"][0]["name"] == "one.txt"
    assert run("attach", "--job", "ticket 17", "--list").out.startswith("one.txt, text/plain")
    assert run("attach", "1", "--list").out.count("\n") == 1
    assert run("attach", "3", "--list").out == "Nothing is attached to r-000003.\n"


def test_two_files_of_one_name_are_told_apart(run: Run, filled: str, tmp_path: Path) -> None:
    for number in (1, 2):
        (tmp_path / f"{number}").mkdir()
        (tmp_path / f"{number}" / "a.txt").write_text(f"content {number}")
        run("attach", "1", str(tmp_path / f"{number}" / "a.txt"))
    ran = run("attach", "1", "--take", "a.txt", str(tmp_path))
    assert ran.status == 2 and "several files" in ran.err
    digests = [a["sha256"] for a in run("attach", "1", "--list", "--json").json["attachments"]]
    assert run("attach", "1", "--take", digests[1], str(tmp_path)).status == 0
    assert (tmp_path / "a.txt").read_text() == "content 2"


def test_what_cannot_be_attached_is_refused(
    run: Run, filled: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small, empty, big = tmp_path / "small.txt", tmp_path / "empty.txt", tmp_path / "big.bin"
    small.write_text("s")
    empty.write_text("")
    with big.open("wb") as file:
        file.truncate(101 * 2**20)
    for words, said in (
        (("1", str(tmp_path / "none.txt")), "not there"),
        (("1", str(tmp_path)), "a folder"),
        (("1", str(empty)), "0 bytes"),
        (("1", str(big)), "101.0 MiB"),
        (("1",), "one or more files"),
        ((), "RUN"),
        (("99", str(small)), "r-000004"),
        (("--job", "ticket 99", str(small)), "ticket 17"),
        (("1", str(small), "--list"), "no files"),
        (("1", "--list", "--take", "a", "b"), "either"),
        (("1", "--take", "a.txt", str(tmp_path)), "nothing is attached"),
        (("1", str(small), str(tmp_path / "none.txt")), "not there"),
    ):
        ran = run("attach", *words)
        assert ran.status == 2 and said in ran.err and "Traceback" not in ran.err, words
    assert run("attach", "1", "--list").out.startswith("Nothing"), "all files of a command, or none"
    run("attach", "1", str(small))
    ran = run("attach", "1", "--take", "small.txt", str(tmp_path / "nowhere"))
    assert ran.status == 2 and "a folder that is there" in ran.err


def test_a_name_from_another_record_leads_nowhere_else(run: Run, filled: str, tmp_path: Path) -> None:
    file, out = tmp_path / "a.txt", tmp_path / "in" / "out"
    out.mkdir(parents=True)
    file.write_text("a")
    run("attach", "1", str(file))
    with sqlite3.connect(filled) as plain:
        plain.execute("UPDATE run_attachments SET name = '../../evil.txt'")
    plain.close()
    assert run("attach", "1", "--take", "../../evil.txt", str(out)).status == 0
    assert (out / "evil.txt").read_text() == "a" and not (tmp_path / "evil.txt").exists()


# -- merge


def test_a_merge_says_what_it_brought(run: Run, filled: str, tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    make(other, "confirm", "hold", job="ticket 17")
    with open_store(other) as opened:
        opened.enter_job("ticket 17", {"complaint": "smells"})
    run("job", "ticket 17", "--complaint", "never starts")
    ran = run("merge", str(other))
    assert ran.status == 0 and ran.out.startswith(f"Brought from {other} into {filled}:\n")
    assert "  2 x run: r-000005 (there r-000001), r-000006 (there r-000002)\n" in ran.out
    assert "complaint: here 'never starts', there 'smells'. Ours stays" in ran.out
    assert "complaint:     never starts\n    elsewhere:   smells\n" in run("job", "ticket 17").out
    assert run("job", "ticket 17", "--json").json["elsewhere"] == [{"field": "complaint", "text": "smells"}]
    assert "it was r-000001 there" in run("show", "5").out
    again = run("merge", str(other), "--json").json
    assert (again["runs"], again["known_runs"], again["conflicts"]) == ([], 2, [])
    assert run("merge", str(other)).out == f"Nothing in {other} that {filled} has not: 2 runs known.\n"
    assert run("show", "last").out.startswith("Run r-000004")


def test_merging_into_nothing_makes_a_record(run: Run, store: str, tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    make(other, "confirm")
    told = run("merge", str(other), "--json").json
    assert told["runs"] == [{"there": "r-000001", "here": "r-000001"}] and told["store"] == store


def test_what_cannot_be_merged_is_refused(run: Run, store: str, tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("twelve screws\n" * 100)
    for words, said in (
        (("merge", str(tmp_path / "none.db")), "none of that name"),
        (("merge", str(tmp_path)), "a folder"),
        (("merge",), "OTHER.db"),
    ):
        ran = run(*words)
        assert ran.status == 2 and said in ran.err and "Traceback" not in ran.err
        assert not Path(store).exists(), "no record is made for nothing"
    ran = run("merge", str(text))
    assert ran.status == 2 and str(text) in ran.err and "no database" in ran.err


# -- rescue


def damage(path: str) -> None:
    """Overwrite the first page of the table of blocks."""
    with sqlite3.connect(path) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (page,) = plain.execute("SELECT rootpage FROM sqlite_master WHERE name = 'blocks'").fetchone()
    plain.close()
    with open(path, "r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\xa5" * 4096)


def test_a_damaged_record_is_told_and_rescued(run: Run, filled: str, tmp_path: Path) -> None:
    damage(filled)
    new = tmp_path / "new.db"
    ran = run("show", "1")
    assert ran.status == 3 and f"lidjig rescue {filled} NEW.db" in ran.err and "Traceback" not in ran.err
    assert json.loads(run("show", "1", "--json").out)["outcome"] == "error"
    ran = run("rescue", filled, str(new))
    assert ran.status == 0 and "r-000001: blocks of light 1 (1 row) could not be read" in ran.out
    assert "blocks                        0 saved, 3 missing\n" in ran.out
    assert "runs                          4 saved, 0 missing; 0 vouched for\n" in ran.out, "date() took their sums"
    assert "notes" not in ran.out and "texts                         3 saved, 0 missing; 3 vouched for\n" in ran.out
    assert "none of them reads as passed" in ran.out
    with open_store(new, create=False) as opened:
        (gap,) = opened.run("1").gaps
    assert (gap.kind, gap.text) == ("rescued", "blocks of light 1 (1 row) could not be read")
    again = run("rescue", filled, str(new))
    assert again.status == 2 and "nothing is overwritten" in again.err
    told = run("rescue", filled, str(tmp_path / "newer.db"), "--json").json
    assert {"table": "blocks", "saved": 0, "vouched": 0, "missing": 3, "complete_count": True} in told["tables"]
    assert [row["run"] for row in told["runs"]] == ["r-000001", "r-000002", "r-000003"]


def test_a_whole_record_has_nothing_to_rescue(run: Run, filled: str, tmp_path: Path) -> None:
    ran = run("rescue", filled, str(tmp_path / "new.db"))
    assert ran.status == 0 and "Nothing is known to be missing." in ran.out
    assert "none of them reads as passed" not in ran.out and "Vouched for: a checksum" in ran.out


def test_a_remark_alone_takes_nothing_from_a_run(run: Run, filled: str, tmp_path: Path) -> None:
    """The file is cut by a free page: all rows are there."""
    with sqlite3.connect(filled) as plain:
        plain.execute("CREATE TABLE filler (text)")
        plain.executemany("INSERT INTO filler VALUES (?)", [("x" * 4000,)] * 3)
        plain.execute("DROP TABLE filler")
        plain.commit()
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    plain.close()
    whole = Path(filled).read_bytes()
    Path(filled).write_bytes(whole[:-50])
    ran = run("rescue", filled, str(tmp_path / "new.db"))
    assert ran.status == 0 and "Note: the file is cut" in ran.out
    assert "none of them reads as passed" not in ran.out and "Nothing is known to be missing" not in ran.out


def test_a_text_that_is_no_text_any_more_names_rescue(run: Run, filled: str) -> None:
    with sqlite3.connect(filled) as plain:
        plain.execute("UPDATE texts SET text = CAST(X'6E616D65FF20' AS TEXT) WHERE run = 1")
    plain.close()
    ran = run("show", "1")
    assert ran.status == 3 and f"lidjig rescue {filled} NEW.db" in ran.err and "free space" not in ran.err


def test_a_run_whose_own_row_is_lost_tells_nothing_that_it_does_not_know(
    filled: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with sqlite3.connect(filled) as plain:
        plain.execute("UPDATE runs SET link_details = '{' WHERE number = 1")
    plain.close()
    new = str(tmp_path / "new.db")
    assert main.run(["rescue", filled, new]) == 0

    def told(*words: str) -> Ran:
        capfd.readouterr()
        return Ran(main.run([*words, "--store", new]), *capfd.readouterr())

    shown = told("show", "1").out
    assert "THE RUN'S OWN ROW IS LOST" in shown and "profiles kept   machine" in shown
    for fact in ("command line", "started, ended", "host, firmware", "board", "link", "seed"):
        assert f"  {fact:<16}unknown\n" in shown
    for invented in ("never closed", "had ended", "1970", "lidjig \n"):
        assert invented not in shown
    whole = told("show", "1", "--json").json
    assert whole["started_utc"] is None and whole["board"] is None and whole["argv"] is None and whole["closed"] is None
    listed = {row["run"]: row for row in told("runs", "--since", "2026-01-31", "--json").json["runs"]}
    assert set(listed) == {"r-000001", "r-000004"}, "nobody knows that it was begun before"
    assert listed["r-000001"]["started_utc"] is None and "1970" not in told("runs").out
    for suffix in ("junit.xml", "json", "vcd"):
        assert told("export", "1", str(tmp_path / f"run.{suffix}")).status == 0
        assert "1970-" not in (tmp_path / f"run.{suffix}").read_text(encoding="utf-8"), suffix
    assert told("report", "1", "--out", str(tmp_path / "run.html")).status == 0
    assert "1970" not in (tmp_path / "run.html").read_text(encoding="utf-8")


# -- other commands


def test_what_only_looked_has_not_passed(run: Run, store: str) -> None:
    make(store, "confirm", "watch", "hold")
    assert [row["run"] for row in run("runs", "--outcome", "pass", "--json").json["runs"]] == ["r-000001"]
    ended = run("runs", "--outcome", "ended", "--json").json["runs"]
    assert [(row["run"], row["outcome"]) for row in ended] == [("r-000003", "ended"), ("r-000002", "ended")]


@pytest.mark.parametrize("typed", ["1", "r-000001", "last"])
def test_a_run_that_is_not_replayed_is_named_as_it_was_typed(typed: str, run: Run, store: str) -> None:
    make(store, "watch")
    ran = run("replay", typed)
    assert ran.status == 2 and f"RUN = '{typed}' is not usable" in ran.err and "watch draws no conclusion" in ran.err


def test_what_cannot_be_rescued_is_refused(run: Run, tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("twelve screws\n" * 1000)
    for words in (
        ("rescue", str(text), str(tmp_path / "new.db")),
        ("rescue", str(tmp_path / "none.db"), str(tmp_path / "new.db")),
        ("rescue", str(tmp_path), str(tmp_path / "new.db")),
        ("rescue", str(text)),
    ):
        ran = run(*words)
        assert ran.status == 2 and "Traceback" not in ran.err
        assert not (tmp_path / "new.db").exists()


def test_the_list_says_how_many_there_are(run: Callable[..., Any], store: str) -> None:
    with open_store(store) as opened:
        for number in range(36):
            opened.start_run("confirm" if number % 2 else "cycle").finish("pass")

    def last_line(*words: str) -> str:
        return str(run("runs", *words).out.splitlines()[-1]).replace(store, "STORE")

    assert last_line() == "30 of 36 runs in STORE; --last 36 lists all"
    assert last_line("--last", "40") == "36 runs in STORE"
    assert last_line("--command", "cycle") == "18 of 36 runs in STORE"
    assert last_line("--command", "cycle", "--last", "5") == (
        "5 of 18 that fit, among 36 runs in STORE; --last 18 lists all"
    )
    assert last_line("--since", "2087-01-01") == "No run of 36 in STORE fits."
    told = run("runs", "--json", "--command", "cycle", "--last", "5").json
    assert (len(told["runs"]), told["fit"], told["total"]) == (5, 18, 36)
