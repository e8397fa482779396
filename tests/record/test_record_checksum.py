"""Damage inside rows, which SQLite does not see: what a checksum finds, and what is known without one."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import zlib
from pathlib import Path
from typing import Any

import pytest
import record_made
from lidjig.cli.main import run as run_command
from lidjig.errors import StoreDamaged
from lidjig.record import open_store, schema
from lidjig.record.checksum import checksum_of
from lidjig.record.rescue import Rescued, rescue
from lidjig.record.rescue_file import make_empty
from record_made import Event

PROFILE = 'name = "alder-14"\n' + "# charger_i is read by the tap\n" * 40


def change(path: Path, *sql: str) -> None:
    plain = sqlite3.connect(path)
    with plain:
        for one in sql:
            plain.execute(one)
    plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    plain.close()


def forget(path: Path) -> None:
    """As a record from before schema 5 is brought up to date: rows without a checksum."""
    change(path, *(f"UPDATE {table.name} SET checksum = NULL" for table in schema.SUMMED))


@pytest.fixture
def made(whole: Path, tmp_path: Path) -> Path:
    """A copy that may be damaged."""
    return Path(shutil.copy(whole, tmp_path / "runs.db"))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("whole") / "runs.db"
    with open_store(path) as store:
        for seed in range(3):
            texts = {"machine": PROFILE, "sensor": 'name = "hinge-a1"\n'}
            record_made.write_all(store.start_run("confirm", job="ticket 17", texts=texts), seed)
        store.enter_job("ticket 17", {"complaint": "never starts"})
        store.add_note("2", "corrosion")
    change(path)
    return path


def table(saved: Rescued, name: str) -> tuple[int, int, int]:
    """(saved, missing, vouched for)"""
    (found,) = [t for t in saved.tables if t.name == name]
    return found.saved, found.missing, found.vouched


def rows(path: Path) -> dict[tuple[Any, ...], dict[str, Any]]:
    """Every row by its table and key."""
    plain = sqlite3.connect(path)
    plain.row_factory = sqlite3.Row
    found = {}
    for one in schema.metadata.sorted_tables:
        for row in plain.execute(f"SELECT * FROM {one.name}"):
            found[(one.name, *(row[column.name] for column in one.primary_key))] = dict(row)
    plain.close()
    return found


def test_the_sum_is_crc_32_of_what_stands_in_the_row() -> None:
    """Made here by hand, so that no change of the code changes the sums of records that are there. CRC-32 as zlib and
    RFC 1952 have it: that of "123456789" is 0xCBF43926 (the catalogues' check value).
    """
    assert zlib.crc32(b"123456789") == 0xCBF43926
    row = {"run": 7, "place": 2, "text": "naïve", "written_utc": "2026-01-05"}
    told = b"['notes', ('run', 7), ('place', 2), ('text', 'na\\xefve'), ('written_utc', '2026-01-05')]"
    assert checksum_of(schema.notes, row) == zlib.crc32(told)
    plain: dict[str, Any] = {"run": 1, "place": 1, "name": "a", "unit": "V", "n": 1, "outcome": "pass"}
    low = checksum_of(schema.measurements, {**plain, "value": 3, "low": -0.0, "marginal_band": 0})
    assert low == checksum_of(schema.measurements, {**plain, "value": 3.0, "low": 0.0, "marginal_band": 0.0})


def test_every_row_of_every_run_is_vouched_for(made: Path, tmp_path: Path) -> None:
    saved = rescue(made, tmp_path / "new.db")
    assert saved.whole
    for one in schema.SUMMED:
        kept, missing, vouched = table(saved, one.name)
        assert kept == vouched > 0 and missing == 0, one.name
    assert table(saved, "jobs")[2] == 0


@pytest.mark.parametrize(
    ("sql", "name"),
    [
        ("UPDATE texts SET text = replace(text, 'charger_i', 'chargUr_i') WHERE run = 2 AND place = 1", "texts"),
        ("UPDATE findings SET next_step = 'Replace it!' WHERE run = 2", "findings"),
        ("UPDATE measurements SET limit_high = 3.7 WHERE run = 2", "measurements"),
        ("UPDATE notes SET text = 'corrosiom' WHERE run = 2 AND place = 1", "notes"),
        ("UPDATE events SET t_us = t_us + 1 WHERE run = 2 AND place = 1", "events"),
        ("UPDATE blocks SET per_raw = per_raw * 2 WHERE run = 2 AND channel = 'light' AND place = 1", "blocks"),
        ("UPDATE steps SET name = 'klose' WHERE run = 2", "steps"),
        ("UPDATE runs SET outcome = 'pass' WHERE number = 2", "runs"),
        ("UPDATE job_fields SET text = 'never stops'", "job_fields"),
    ],
)
def test_a_changed_row_is_left_out_and_counted(sql: str, name: str, made: Path, tmp_path: Path) -> None:
    before = rows(made)
    change(made, sql)
    saved = rescue(made, tmp_path / "new.db")
    assert not saved.whole
    assert table(saved, name)[0] == sum(key[0] == name for key in before) - 1
    with pytest.raises(StoreDamaged, match=f"table {name}, .* its checksum does not agree"):
        with open_store(tmp_path / "ours.db") as store:
            store.merge(made)


@pytest.mark.parametrize("old", [False, True], ids=["with checksums", "without"])
def test_a_file_cut_within_a_page_is_damaged(old: bool, made: Path, tmp_path: Path) -> None:
    """SQLite reads zeros for what is missing of a page and finds nothing wrong."""
    if old:
        forget(made)
    # The last page is one of a text: as after a run that was begun last.
    with open_store(made) as store:
        store.start_run("hold", texts={"machine": PROFILE * 8})
    change(made, *(["UPDATE texts SET checksum = NULL"] if old else []))
    whole = made.read_bytes()
    made.write_bytes(whole[:-50])
    with pytest.raises(StoreDamaged, match="the file is cut") as caught:
        open_store(made)
    assert "lidjig rescue" in caught.value.next_step
    saved = rescue(made, tmp_path / "new.db")
    assert not saved.whole and "the file is cut" in saved.remarks[0]
    with open_store(tmp_path / "new.db") as store:
        assert table(saved, "texts")[1] >= 1, "small rows share a page"
        assert not any("\x00" in text for row in store.runs() for text in store.run(row.id).texts.values())


def test_zeros_in_a_text_without_a_checksum_are_damage(made: Path, tmp_path: Path) -> None:
    forget(made)
    change(
        made, "UPDATE texts SET text = substr(text, 1, 90) || CAST(zeroblob(50) AS TEXT) WHERE run = 2 AND place = 1"
    )
    assert table(rescue(made, tmp_path / "new.db"), "texts")[:2] == (8, 1)


@pytest.mark.parametrize(
    ("sql", "name"),
    [
        ("UPDATE texts SET text = replace(text, '\"', 'x') WHERE run = 2 AND place = 1", "texts"),
        ("UPDATE findings SET evidence = '[\"0  mA\" ]' WHERE run = 2", "findings"),
        ("UPDATE measurements SET outcome = 'pasr' WHERE run = 2", "measurements"),
        ("UPDATE runs SET outcome = 'fbil' WHERE number = 2", "runs"),
        ("UPDATE runs SET started_utc = '2O26-01-05T08:00:00.000+00:00' WHERE number = 2", "runs"),
        ("UPDATE blocks SET t_us = t_us + 1 WHERE run = 2 AND channel = 'light' AND place = 1", "blocks"),
        ("UPDATE samples SET n = 6 WHERE channel = 'curve' AND run = 2", "samples"),
        ("UPDATE attachments SET size = 1", "attachments"),
    ],
)
def test_what_is_known_without_a_checksum(sql: str, name: str, made: Path, tmp_path: Path) -> None:
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(b"light")
    with open_store(made) as store:
        store.attach([photo], run="1")
    forget(made)
    whole = {t.name: t for t in rescue(made, tmp_path / "before.db").tables}
    assert whole[name].missing == 0 and whole["runs"].vouched == 0
    change(made, sql)
    assert table(rescue(made, tmp_path / "new.db"), name)[0] == whole[name].saved - 1


def test_a_destroyed_first_page_of_a_record_that_began_without_checksums(tmp_path: Path) -> None:
    """Its table of contents was shorter, so that its tables begin on other pages than those of a new record."""
    path = tmp_path / "four.db"
    make_empty(path, 4)
    row = "INSERT INTO lidjig_schema VALUES (1, 4, '0.1.0')"
    change(path, row)
    plain = sqlite3.connect(path)
    roots = {name: page for name, page in plain.execute("SELECT name, rootpage FROM sqlite_master")}
    columns = [column for (_, column, *_) in plain.execute("PRAGMA table_info(texts)")]
    plain.execute("INSERT INTO jobs VALUES (1, 'ticket 17', '2026-01-05T08:00:00.000+00:00')")
    plain.execute(
        "INSERT INTO runs VALUES (1, 1, 'confirm', '{}', '[]', NULL, '0.1.0', '0.1.0', '', '{}', NULL,"
        " '2026-01-05T08:00:01.000+00:00', '2026-01-05T08:01:00.000+00:00', 'fail', ?, NULL, NULL)",
        ("0f" * 16,),
    )
    plain.execute("INSERT INTO notes VALUES (1, 1, 'corrosion', '2026-01-05T08:00:30.000+00:00')")
    plain.commit()
    plain.close()
    change(path)
    make_empty(tmp_path / "five.db", 5)
    with open_store(tmp_path / "real.db") as store:
        store.runs()
    for new in ("five.db", "real.db"):
        plain = sqlite3.connect(tmp_path / new)
        others = {name: page for name, page in plain.execute("SELECT name, rootpage FROM sqlite_master")}
        plain.close()
        assert others != roots and set(others) == set(roots) and "checksum" not in columns
    data = path.read_bytes()
    path.write_bytes(bytes(4096) + data[4096:])
    saved = rescue(path, tmp_path / "new.db")
    assert "table of contents" in saved.remarks[0] and table(saved, "runs") == (1, 0, 0)
    with open_store(tmp_path / "new.db") as store:
        assert store.run("1").notes == ["corrosion"] and store.run("1").outcome == "fail"


def poke(path: Path, old: bytes, new: bytes, which: int) -> None:
    """Overwrite the which-th place in the file where `old` stands, past SQLite."""
    data = path.read_bytes()
    at = -1
    for _ in range(which):
        at = data.index(old, at + 1)
    path.write_bytes(data[:at] + new + data[at + len(old) :])


@pytest.mark.parametrize("old", [False, True], ids=["with checksums", "without"])
def test_a_channel_that_never_was_is_not_made_up(old: bool, made: Path, tmp_path: Path) -> None:
    """The name of a channel, hit where SQLite does not look. The index has it once more, on another page: each of the
    places in turn.
    """
    if old:
        forget(made)
    light = made.read_bytes().count(b"light")
    assert light >= 6
    for which in range(1, light + 1):
        broken, new = tmp_path / f"broken{which}.db", tmp_path / f"new{which}.db"
        broken.write_bytes(made.read_bytes())
        poke(broken, b"light", b"lUght", which)
        saved = rescue(broken, new)
        assert {key[2] for key in rows(new) if key[0] == "blocks"} <= {"light", "meter_1_v"}, which
        assert set(saved.runs) <= {"r-000001", "r-000002", "r-000003"}


@pytest.mark.parametrize("old", [False, True], ids=["with checksums", "without"])
def test_a_run_whose_number_was_hit_in_a_row_is_not_made_up(old: bool, made: Path, tmp_path: Path) -> None:
    """In the row of a block its run's number stands right before the channel: 3 becomes 110 (SQLite, "Database File
    Format", section 2.1: the values of a record one after another, small numbers in one byte).
    """
    if old:
        forget(made)
    places = made.read_bytes().count(b"\x03light")
    assert places >= 2, "the row and its entry in the index"
    for which in range(1, places + 1):
        broken, new = tmp_path / f"broken{which}.db", tmp_path / f"new{which}.db"
        broken.write_bytes(made.read_bytes())
        poke(broken, b"\x03light", b"\x6elight", which)
        saved = rescue(broken, new)
        assert set(saved.runs) <= {"r-000003"} and table(saved, "runs")[:2] == (3, 0)
        assert {key[1] for key in rows(new) if key[0] == "blocks"} == {1, 2, 3}


@pytest.mark.parametrize("seed", range(20))
def test_nothing_that_was_changed_is_passed_as_whole(seed: int, made: Path, tmp_path: Path) -> None:
    """Bytes overwritten at random: what is vouched for, and what belongs to a run, is what was written."""
    true = rows(made)
    choose = random.Random(seed)
    data = bytearray(made.read_bytes())
    for _ in range(choose.choice((1, 3, 10))):
        at = choose.randrange(4096, len(data) - 4)
        data[at : at + 2] = choose.randbytes(2)
    made.write_bytes(data)
    saved = rescue(made, tmp_path / "new.db")
    assert all(("runs", int(run[2:])) in true for run in saved.runs), saved.runs
    for key, row in rows(tmp_path / "new.db").items():
        if key[0] in {one.name for one in schema.SUMMED} and row.get("kind") != "rescued" and key[0] != "runs":
            assert row == true[key], (key, saved.runs)


def test_a_note_of_a_merged_run_is_vouched_for_under_its_new_number(made: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "ours.db") as store:
        store.start_run("hold").finish("pass")
        store.merge(made)
    saved = rescue(tmp_path / "ours.db", tmp_path / "new.db")
    for one in schema.SUMMED:
        kept, missing, vouched = table(saved, one.name)
        assert kept == vouched and missing == 0, one.name


def test_rows_of_an_older_record_get_no_checksum_by_being_opened_or_merged(made: Path, tmp_path: Path) -> None:
    forget(made)
    with open_store(tmp_path / "ours.db") as store:
        store.merge(made)
    for path in (made, tmp_path / "ours.db"):
        assert all(row.get("checksum") is None for row in rows(path).values())


def test_a_run_is_written_with_the_sums_of_what_it_became(tmp_path: Path) -> None:
    """A step and a run are written twice: when they begin and when they end."""
    with open_store(tmp_path / "runs.db") as store:
        run = store.start_run("cycle")
        with run.step("close", n=1) as step:
            step.result = {"t": 1.5}
            run.events([Event("edge", 1, 5)])
        run.flush()
        begun = rows(tmp_path / "runs.db")
        run.finish("pass")
    ended = rows(tmp_path / "runs.db")
    for found in (begun, ended):
        for one, key in ((schema.runs, ("runs", 1)), (schema.steps, ("steps", 1, 1))):
            assert found[key]["checksum"] == checksum_of(one, found[key])
    assert begun["runs", 1]["checksum"] != ended["runs", 1]["checksum"]
    assert json.loads(ended["steps", 1, 1]["result"]) == {"t": 1.5}


@pytest.mark.parametrize(
    ("sql", "told"),
    [
        ("UPDATE findings SET next_step = 'Replace it!' WHERE run = 2", "1 of 1 in findings"),
        ("UPDATE events SET t_us = t_us + 400000 WHERE run = 2 AND place > 1", "2 of 3 in events"),
        ("UPDATE measurements SET limit_high = 3.7 WHERE run = 2", "1 of 1 in measurements"),
        ("UPDATE notes SET text = 'corrosiom' WHERE run = 2 AND place = 1", "1 of 2 in notes"),
        ("UPDATE runs SET seed = '9' WHERE number = 2", "1 of 1 in runs"),
    ],
)
def test_a_run_with_a_changed_row_is_not_read(sql: str, told: str, made: Path) -> None:
    change(made, sql)
    with open_store(made) as store:
        with pytest.raises(StoreDamaged, match=f"run r-000002.*checksum does not agree.*{told}") as caught:
            store.run("2")
        assert "lidjig rescue" in caught.value.next_step
        assert store.run("1").findings and store.run("3").findings, "the others are as they were"
    forget(made)
    with open_store(made) as store:
        assert store.run("2").id == "r-000002", "without checksums nothing is known of it"


def test_a_changed_field_of_a_job_stops_its_runs_and_a_changed_block_its_series(made: Path) -> None:
    change(made, "UPDATE blocks SET per_raw = per_raw * 2 WHERE run = 2 AND channel = 'light'")
    with open_store(made) as store:
        with pytest.raises(StoreDamaged, match="block 1: its checksum does not agree"):
            list(store.series("2", "light"))
        assert list(store.series("2", "meter_1_v")) and list(store.series("1", "light"))
    change(made, "UPDATE job_fields SET text = 'never stops'")
    with open_store(made) as store, pytest.raises(StoreDamaged, match="1 of 1 in job_fields"):
        store.run("1")


@pytest.mark.parametrize("command", [["show"], ["report"], ["replay"], ["export", "last", "out.csv"]], ids=" ".join)
def test_no_command_passes_a_changed_sentence_on(
    command: list[str], made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    change(made, "UPDATE findings SET what = 'sound' WHERE run = 3")
    monkeypatch.chdir(tmp_path)
    assert run_command([*command, "--store", str(made)]) == 3
    out, err = capsys.readouterr()
    assert "sound" not in out and "1 of 1 in findings" in err and "lidjig rescue" in err
    assert not list(tmp_path.glob("*.html")) and not list(tmp_path.glob("out*"))
