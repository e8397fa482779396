"""What was acknowledged is on disk: writers killed in the middle, and several at once."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from lidjig.record import open_store

WRITER = Path(__file__).parent / "record_writer.py"


def start(store: Path, batches: int, per_batch: int) -> subprocess.Popen[str]:
    arguments = [sys.executable, str(WRITER), str(store), str(batches), str(per_batch)]
    return subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True)


@pytest.mark.parametrize(("after", "per_batch"), [(1, 1), (40, 3), (200, 1)])
def test_a_killed_writer_loses_no_acknowledged_event(tmp_path: Path, after: int, per_batch: int) -> None:
    store = tmp_path / "runs.db"
    writer = start(store, 100_000, per_batch)
    assert writer.stdout is not None
    run_id = writer.stdout.readline().split()[1]
    told = [writer.stdout.readline() for _ in range(after)]
    writer.kill()  # SIGKILL where there is one, TerminateProcess on Windows: no handler runs
    rest = writer.stdout.read()  # what it had told between our last look and its end
    writer.wait(timeout=10)
    told += [line for line in rest.splitlines(keepends=True) if line.endswith("\n")]
    acknowledged = int(told[-1])
    with open_store(store, create=False) as opened:
        run = opened.run("last")
        assert run.id == run_id and opened.runs()[0].outcome == "incomplete"
    assert run.outcome == "incomplete" and not run.closed and run.ended_utc is None
    counters = [event.counter for event in run.events]
    assert counters[:acknowledged] == list(range(1, acknowledged + 1)), (
        f"acknowledged {acknowledged}, kept {len(counters)}"
    )
    # At most the batch that was being written is there beyond it, and that one whole.
    assert len(counters) in (acknowledged, acknowledged + per_batch)
    assert run.texts == {"sensor": "text of the profile"} and run.job == "killed"


def test_a_killed_run_does_not_stand_in_the_way_of_the_next(tmp_path: Path) -> None:
    store = tmp_path / "runs.db"
    writer = start(store, 100_000, 2)
    assert writer.stdout is not None
    for _ in range(20):
        writer.stdout.readline()
    writer.kill()
    writer.stdout.close()
    writer.wait(timeout=10)
    with open_store(store) as opened:
        again = opened.start_run("cycle", resumes="last")
        again.finish("pass")
        assert opened.run(again.id).resumes == "r-000001"
        assert [row.outcome for row in opened.runs()] == ["pass", "incomplete"]


def test_several_benches_write_into_one_new_record(tmp_path: Path) -> None:
    store = tmp_path / "runs.db"
    writers = [start(store, 60, 2) for _ in range(3)]
    ids = []
    for writer in writers:
        out, _ = writer.communicate(timeout=60)
        lines = out.splitlines()
        assert writer.returncode == 0 and lines[-1] == "finished"
        ids.append(lines[0].split()[1])
    assert sorted(ids) == ["r-000001", "r-000002", "r-000003"]
    with open_store(store) as opened:
        assert opened.jobs() == ["killed"]
        for run_id in ids:
            run = opened.run(run_id)
            assert run.outcome == "pass"
            assert [event.counter for event in run.events] == list(range(1, 121))
            assert len(run.steps) == 60 and {step.state for step in run.steps} == {"done"}
