"""Recordings: written as documented, played exactly, and every difference named by its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from lidjig.errors import BadInput, LinkLost, LossReason, NoJig
from lidjig.jig import Jig, Unrecorded
from lidjig.link.base import Deadline, Link
from lidjig.link.find import open_link
from lidjig.link.replay import HEADING, RecordingLink, ReplayLink

from tests.host.fake_board import FakeLink, MemorySink

HELLO = "> hello seq=1"


def recorded(path: Path, *, fake: FakeLink | None = None, retry_s: float = 10.0) -> list[str]:
    """Records a short run; returns what its sink was told."""
    return run(RecordingLink(fake or FakeLink(), path, nonce_seed=3), retry_s)


def run(link: RecordingLink | ReplayLink, retry_s: float = 10.0) -> list[str]:
    sink = MemorySink()
    jig = Jig(link, sink=sink, retry_s=retry_s)
    try:
        jig.connect()
        jig.arm()
        jig.link.tell_operator("open-lid")
        jig.idle(1.5)
        jig.move(10.0, 0.2)
        jig.idle(0.7)
        return [f"{event.counter} {event.name} {event.t_us}" for event in sink.stored] + sink.gap_kinds
    finally:
        jig.close()


def test_a_recording_plays_exactly(tmp_path: Path) -> None:
    path = tmp_path / "run.txt"
    told = recorded(path)
    assert [line.split()[1] for line in told] == ["boot", "lock", "departed", "arrived"]
    link = ReplayLink(path)
    assert run(link) == told
    assert link.name == f"replay:{path}" and link.details["nonce_seed"] == "3"


def test_a_recording_reads_as_documented(tmp_path: Path) -> None:
    path = tmp_path / "run.txt"
    recorded(path)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0] == HEADING == "lidjig-recording 1"
    assert "name = fake" in lines and "nonce_seed = 3" in lines
    sent = next(line for line in lines if " > " in line)
    time_s, kind, data = sent.split()[:3]
    assert (time_s, kind) == ("0.000000", ">") and bytes.fromhex(data)[-1] == 0
    assert HELLO in sent
    assert any(line.split()[1:] == ["*", "open-lid"] for line in lines)
    assert any(line.endswith(" .") for line in lines)


def test_a_lost_link_is_part_of_the_recording(tmp_path: Path) -> None:
    fake = FakeLink()
    fake.at = [(0.5, fake.unplug), (2.0, fake.plug)]
    told = recorded(tmp_path / "run.txt", fake=fake)
    assert told[-3:] == ["link-lost", "link-back", "link-state"]
    assert run(ReplayLink(tmp_path / "run.txt")) == told


def test_a_link_that_stays_away_is_played_too(tmp_path: Path) -> None:
    fake = FakeLink()
    fake.at = [(0.5, fake.unplug)]
    with pytest.raises(LinkLost):
        recorded(tmp_path / "run.txt", fake=fake, retry_s=2.0)
    with pytest.raises(LinkLost) as lost:
        run(ReplayLink(tmp_path / "run.txt"), 2.0)
    assert lost.value.reason is LossReason.OS_ERROR


def test_what_the_host_sends_otherwise_is_named_by_line_and_in_words(tmp_path: Path) -> None:
    path = tmp_path / "run.txt"
    recorded(path)
    jig = Jig(ReplayLink(path), sink=Unrecorded())
    jig.connect()
    with pytest.raises(BadInput) as wrong:
        jig.status()
    lines = path.read_text(encoding="utf-8").splitlines()
    number = next(n for n, line in enumerate(lines, start=1) if "> arm " in line)
    assert wrong.value.key == f"line {number}" and wrong.value.file == str(path)
    assert "status seq=2" in str(wrong.value.value) and "> arm seq=2" in wrong.value.accepted


def test_what_is_left_over_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "run.txt"
    recorded(path)
    link = ReplayLink(path)
    jig = Jig(link, sink=Unrecorded())
    jig.connect()
    with pytest.raises(BadInput) as left:
        link.finish()
    assert "the host is done" in str(left.value)


def test_the_end_is_link_lost_with_its_reason(tmp_path: Path) -> None:
    path = tmp_path / "run.txt"
    recorded(path)
    whole, _, _ = path.read_text(encoding="utf-8").partition(" > disarm")
    path.write_text(whole[: whole.rindex("\n")], encoding="utf-8")
    jig = Jig(ReplayLink(path), sink=Unrecorded())
    jig.connect()
    jig.arm()
    jig.link.tell_operator("open-lid")
    jig.idle(1.5)
    jig.move(10.0, 0.2)
    with pytest.raises(LinkLost) as ended:
        jig.idle(60.0)
    assert ended.value.reason is LossReason.REPLAY_ENDED
    assert ended.value.board_id == "e6614103e7452d2f"


def test_a_host_that_stays_silent_is_told_when_it_should_have_sent(tmp_path: Path) -> None:
    path = tmp_path / "cut.txt"
    path.write_text(f"{HEADING}\n\n# by hand\n0.5 > 00\n0.6 < 0102\n", encoding="utf-8")
    link = ReplayLink(path)
    assert link.read(0.4) == b"" and link.clock.now_s() == pytest.approx(0.4)
    with pytest.raises(BadInput, match="line 4"):
        for _ in range(100):
            link.read(0.1)
    link = ReplayLink(path)
    link.write(b"\x00")
    assert link.read(0.4) == b""  # not yet
    assert link.read(0.4) == b"\x01\x02" and link.clock.now_s() == pytest.approx(0.6)
    with pytest.raises(LinkLost):
        link.read(0.1)
    with pytest.raises(NoJig):
        link.reopen(Deadline(link.clock, 1.0))
    link.finish()


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("", "line 1"),
        ("something else\n", "line 1"),
        (f"{HEADING}\nname = x\nsoon > 00\n", "line 3"),
        (f"{HEADING}\n0.5 > 00\n0.4 > 00\n", "line 3"),
        (f"{HEADING}\nnan > 00\n", "line 2"),
        (f"{HEADING}\n0.5 >< 00\n", "line 2"),
        (f"{HEADING}\n0.5\n", "line 2"),
        (f"{HEADING}\n0.5 > 0g\n", "line 2"),
        (f"{HEADING}\n0.5 <\n", "line 2"),
        (f"{HEADING}\n0.5 ! BORED\n", "line 2"),
    ],
)
def test_a_recording_that_cannot_be_used_says_where(tmp_path: Path, text: str, key: str) -> None:
    path = tmp_path / "bad.txt"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadInput) as bad:
        ReplayLink(path)
    assert bad.value.key == key and bad.value.file == str(path) and bad.value.accepted


def test_files_that_cannot_be_read_or_written(tmp_path: Path) -> None:
    with pytest.raises(BadInput):
        ReplayLink(tmp_path / "none.txt")
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadInput):
        ReplayLink(tmp_path / "binary")
    with pytest.raises(BadInput):
        RecordingLink(FakeLink(), tmp_path / "no-folder" / "x.txt", nonce_seed=1)


def test_any_link_is_recorded_by_its_name(tmp_path: Path) -> None:
    path = tmp_path / "twin.txt"
    recorded_link = open_link(f"record:{path}@twin", seed=9)
    assert recorded_link.name == "twin" and recorded_link.details["kind"] == "twin"

    def dialogue(link: Link) -> list[object]:
        with Jig(link, sink=Unrecorded()) as jig:
            jig.arm()
            return [jig.measure("supply", 16), jig.status(), jig.idle(0.5)]

    assert dialogue(recorded_link) == dialogue(open_link(f"replay:{path}"))
    with pytest.raises(BadInput):
        open_link(f"record:{tmp_path / 'none' / 'x.txt'}@twin")
