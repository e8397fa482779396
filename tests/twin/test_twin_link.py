"""The simulated bench as a link: loss and return, resets, faults of the link, the process and its end."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from lidjig.errors import BadInput, JigRestarted, LinkLost, LossReason, NoJig
from lidjig.jig import Jig
from lidjig.link import twin_process
from lidjig.link.base import Deadline, Link
from lidjig.link.twin import TwinLink, open_twin
from lidjig.link.twin_faults import NEVER_US, LinkFaults
from lidjig.twin.scenario import Fault, default_scenario
from twin_bench import Memory, bench, fault, jig_on, pass_time

from shared_proto.codec import encode
from shared_proto.frame import encode_frame


def frame(name: str, seq: int, **fields: int) -> bytes:
    return encode_frame(encode(name, seq=seq, **fields))


def hello(session: int = 5) -> bytes:
    return frame("hello", 1, major=1, minor=0, session=session)


def test_time_moves_only_in_read() -> None:
    with bench("") as link:
        as_link: Link = link
        assert as_link.clock.now_s() == 0.0
        link.write(hello())
        link.tell_operator("press-power")
        assert link.clock.now_s() == 0.0
        answer = link.read(1.0)
        assert answer and 0.0 < link.clock.now_s() < 0.01
        now_s = link.clock.now_s()
        came = pass_time(link, 2.0)
        assert link.clock.now_s() == pytest.approx(now_s + 2.0, abs=0.001)
        assert b"" == link.read(0.0) or came
        before = link.clock.now_s()
        link.read(0.0)
        assert link.clock.now_s() > before  # a polling loop ends


def test_details_say_what_ran() -> None:
    with bench(name="healthy-birch-13", seed=77) as link:
        assert link.name == "twin:healthy-birch-13"
        assert link.details["vm"] == "cpython" and link.details["seed"] == "77"
        assert link.details["scenario"] == "healthy-birch-13.toml"
        link.tell_operator("dance")
        assert link.details["unknown_actions"] == "dance"


def test_unknown_vm_and_missing_interpreter(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BadInput):
        open_twin(vm="jython")
    monkeypatch.setattr(twin_process, "find_micropython", lambda: None)
    with pytest.raises(NoJig, match="cpython"):
        open_twin(vm="micropython")
    link = open_twin(vm="auto")
    assert link.vm == "cpython"
    link.close()


def test_a_micropython_without_viper_is_none(
    tmp_path: Path, micropython: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A stand-in for a build that makes no machine code: it refuses the decorator, as such builds do.
    other = tmp_path / "micropython"
    other.write_text("#!/bin/sh\necho 'SyntaxError: invalid micropython decorator' >&2\nexit 1\n", encoding="utf-8")
    other.chmod(0o755)
    assert twin_process.takes_viper(micropython)
    assert not twin_process.takes_viper(str(other)) and not twin_process.takes_viper(str(tmp_path / "none"))
    monkeypatch.setattr(twin_process.shutil, "which", lambda _name, path=None: str(other))
    assert twin_process.find_micropython() is None


def test_micropython_is_preferred(micropython: str) -> None:
    link = open_twin()
    try:
        assert link.vm == "micropython"
    finally:
        link.close()


def test_host_reset_is_one_loss_and_another_boot(vm: str, tmp_path: Path) -> None:
    with bench("", vm=vm, flash_dir=tmp_path / "flash") as link, jig_on(link) as jig:
        before = jig.hello.boot_id
        crc = jig.status().profile_crc
        after = jig.reset()
        assert after.boot_id != before
        status = jig.status()
        assert status.profile_crc == crc != 0  # flash outlives a reset
        assert link.look()["boots"] == 2
    # and it outlives the process
    with bench("", vm=vm, flash_dir=tmp_path / "flash") as link, Jig(link, sink=Memory()) as jig:
        assert jig.connect(Deadline(jig.clock, 5.0)).boot_id not in (before, after.boot_id)
        assert jig.status().profile_crc == crc


def test_world_goes_on_across_a_reset() -> None:
    with bench("[machine]\nstart_state = \"S0\"\n" + fault("link", "reset", at_s=1.0)) as link:
        with pytest.raises(LinkLost) as caught:
            pass_time(link, 3.0)
        assert caught.value.reason is LossReason.CLOSED
        assert link.clock.now_s() == pytest.approx(1.0, abs=0.01)
        for call in (lambda: link.read(0.1), lambda: link.write(b"x")):
            with pytest.raises(LinkLost):
                call()
        assert link.clock.now_s() == pytest.approx(1.0, abs=0.01)  # no time passes on a lost link
        link.reopen(Deadline(link.clock, 5.0))
        assert link.clock.now_s() == pytest.approx(1.6, abs=0.1)  # the board's start takes its time
        assert pass_time(link, 1.0) == b""
        state = link.look()
        assert state["state"] == "S0" and state["boots"] == 2


def test_reopen_gives_up_at_its_deadline() -> None:
    with bench("[jig]\nboot_ms = 5000.0\n" + fault("link", "reset", at_s=0.5)) as link:
        with pytest.raises(LinkLost):
            pass_time(link, 1.0)
        with pytest.raises(NoJig):
            link.reopen(Deadline(link.clock, 1.0))
        assert link.clock.now_s() == pytest.approx(1.5, abs=0.1)
        link.reopen(Deadline(link.clock, 10.0))
        link.write(hello())
        assert link.read(1.0)


def test_jig_recovers_from_random_resets() -> None:
    with bench(fault("link", "reset", rate=6.0), seed=4) as link, jig_on(link) as jig:
        end_s, restarts = link.clock.now_s() + 60.0, 0
        while link.clock.now_s() < end_s:
            try:
                jig.idle(end_s - link.clock.now_s())
            except JigRestarted as restarted:
                assert restarted.boot_before != restarted.boot_now
                restarts += 1
        assert restarts == link.fault_counts()["reset"] >= 2
        assert jig.status().lock is not None
        assert link.look()["boots"] == 1 + link.fault_counts()["reset"]


def test_leave_ends_at_the_prompt_and_control_d_starts_again() -> None:
    with bench("") as link:
        link.write(hello())
        assert link.read(1.0)
        link.write(frame("leave", 2))
        assert b">>> " in pass_time(link, 1.0)
        link.write(hello(8) + b"\r")
        assert b">>> " in pass_time(link, 0.1)  # nobody there who speaks the protocol
        link.write(b"\x04")
        assert pass_time(link, 1.0) == b""
        link.write(hello(9))
        assert link.read(1.0)


def test_process_death_is_one_clear_loss(vm: str) -> None:
    with bench("", vm=vm) as link:
        pass_time(link, 0.5)
        os.kill(link.pid, signal.SIGTERM)
        began_s = time.monotonic()
        with pytest.raises(LinkLost) as caught:
            pass_time(link, 5.0)
        assert caught.value.reason is LossReason.PROCESS_ENDED
        assert "exit status" in caught.value.detail
        assert pickle.loads(pickle.dumps(caught.value)).detail == caught.value.detail
        with pytest.raises(LinkLost):
            link.write(b"x")
        with pytest.raises(LinkLost):
            link.tell_operator("press-power")
        with pytest.raises(NoJig):
            link.reopen(Deadline(link.clock, 3.0))
        link.close()
        link.close()
        assert time.monotonic() - began_s < 5.0


def test_failure_inside_the_bench_says_so() -> None:
    # The world itself fails (here: an unknown key from the host), not the firmware: its last lines are in the detail.
    from lidjig.link.twin_process import BenchProcess, ProcessEnded

    process = BenchProcess("cpython", {"seed": 1}, Path.cwd())
    with pytest.raises(ProcessEnded, match="KeyError"):
        process.ask(twin_process.ADVANCE, number=10)
    process.close()


def test_closing_is_quick_whatever_the_bench_does(vm: str) -> None:
    link = open_twin(vm=vm)
    pass_time(link, 0.1)
    began_s = time.monotonic()
    link.close()
    assert time.monotonic() - began_s < 2.0
    with pytest.raises(LinkLost) as caught:
        link.read(0.1)
    assert caught.value.reason is LossReason.CLOSED
    unused = open_twin(vm=vm)
    unused.close()


@pytest.mark.skipif(sys.platform == "win32", reason="signals to a process group are POSIX")
def test_control_c_in_the_terminal_does_not_reach_the_bench(vm: str) -> None:
    with bench("", vm=vm) as link:
        pass_time(link, 0.1)
        assert os.getpgid(link.pid) != os.getpgid(0)


@pytest.mark.parametrize(("system", "session", "group"), [("posix", True, 0), ("nt", False, 0x200)])
def test_only_what_the_system_has_is_asked_of_it(
    system: str, session: bool, group: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: dict[str, object] = {}

    def popen(words: list[str], **options: object) -> None:
        asked.update(options)
        raise OSError("not started here")

    # Python documentation, subprocess: start_new_session is POSIX only, CREATE_NEW_PROCESS_GROUP (0x200) Windows only
    there = SimpleNamespace(
        Popen=popen, PIPE=-1, TimeoutExpired=TimeoutError, **({"CREATE_NEW_PROCESS_GROUP": group} if group else {})
    )
    monkeypatch.setattr(twin_process, "subprocess", there)
    monkeypatch.setattr(twin_process, "os", SimpleNamespace(name=system, environ=os.environ))
    with pytest.raises(NoJig, match="not started here"):
        open_twin(vm="cpython")
    assert asked["start_new_session"] is session and asked["creationflags"] == group


def test_temporary_flash_is_removed() -> None:
    link = open_twin(vm="cpython")
    pass_time(link, 0.1)
    folder = link._temporary
    assert folder is not None and any(folder.iterdir())
    link.close()
    assert not folder.exists()


# faults of the link, in isolation and with the session above them


def faults(kind: str, **parameters: float) -> LinkFaults:
    values: dict[str, float | str] = {"rate": 0.0, "duration_ms": 100.0, "at_s": -1.0, **parameters}
    return LinkFaults([Fault("link", kind, values)], seed=3)


def test_drop_corrupt_repeat_at_their_rates() -> None:
    packet = bytes(range(64))
    for kind in ("drop", "corrupt", "repeat"):
        link = faults(kind, rate=0.2)
        outcomes = [b"".join(link.pass_on(packet, to_host=True)) for _ in range(1000)]
        changed = sum(outcome != packet for outcome in outcomes)
        # binomial, n 1000, p 0.2: standard deviation 12.6; four of them
        assert 150 <= changed <= 250 and changed == link.counts[kind]
        for outcome in outcomes:
            if kind == "corrupt" and outcome != packet:
                flips = [a ^ b for a, b in zip(outcome, packet, strict=True) if a != b]
                assert len(flips) == 1 and flips[0].bit_count() == 1
            elif outcome != packet:
                assert outcome == (b"" if kind == "drop" else packet + packet)


def test_split_keeps_every_byte_in_order() -> None:
    link = faults("split", rate=0.5)
    data = bytes(range(256)) * 4
    pieces = [piece for _ in range(20) for piece in link.pass_on(data, to_host=True)]
    assert b"".join(pieces) == data * 20 and len(pieces) > 100


def test_no_faults_no_change() -> None:
    link = LinkFaults([], seed=1)
    assert link.pass_on(b"abc", to_host=True) == [b"abc"]
    assert link.pass_on(b"", to_host=True) == []
    assert link.change_us(0) == NEVER_US and not link.stalled(10**12) and not link.reset_due(10**12)


def test_stall_holds_back_both_ways_and_loses_nothing() -> None:
    with bench(fault("link", "stall", at_s=0.5, duration_ms=300.0)) as link:
        pass_time(link, 0.6)
        link.write(hello())
        assert link.read(0.1) == b""
        answer = link.read(5.0)
        assert answer and 0.8 <= link.clock.now_s() < 0.85
        assert link.fault_counts()["stall"] == 1


@pytest.mark.parametrize("kind", ["drop", "corrupt", "repeat", "split", "stall"])
def test_jig_works_through_a_bad_link(kind: str) -> None:
    rate = {"stall": 20.0}.get(kind, 0.05)
    with bench(fault("link", kind, rate=rate), seed=11) as link, jig_on(link) as jig:
        for _ in range(40):
            assert jig.measure("supply", 4).n == 4
            jig.idle(0.2)
        memory = jig.sink
        assert isinstance(memory, Memory)
        counters = [event.counter for event in memory.batches]
        assert counters == list(range(1, len(counters) + 1))  # every event once and in order
        assert link.fault_counts()[kind] > 0


def test_link_faults_are_reproducible() -> None:
    def session() -> tuple[bytes, dict[str, int]]:
        scenario = fault("link", "drop", rate=0.1) + fault("link", "corrupt", rate=0.1)
        scenario += fault("link", "stall", rate=30.0)
        with bench(scenario, seed=6) as link:
            came = b""
            for k in range(100):
                link.write(hello(k + 1))
                came += pass_time(link, 0.05)
            return came, link.fault_counts()

    assert session() == session()


def test_every_link_has_its_own_process_and_world() -> None:
    first, second = TwinLink(default_scenario(), vm="cpython"), TwinLink(default_scenario(), vm="cpython")
    try:
        pass_time(first, 1.0)
        assert first.pid != second.pid and second.clock.now_s() == 0.0
    finally:
        first.close()
        second.close()


def test_an_interrupted_wait_leaves_question_and_answer_together(monkeypatch: pytest.MonkeyPatch) -> None:
    with bench("") as link:
        pass_time(link, 0.1)
        read_more = twin_process.BenchProcess._read_more
        pressed = []

        def control_c(self: twin_process.BenchProcess) -> None:
            if not pressed:
                pressed.append(True)
                raise KeyboardInterrupt
            read_more(self)

        monkeypatch.setattr(twin_process.BenchProcess, "_read_more", control_c)
        link.write(hello())
        with pytest.raises(KeyboardInterrupt):
            link.read(0.2)
        came = link.read(0.2)  # what the broken-off wait would have brought
        assert came and link.clock.now_s() < 0.4
        assert link.look()["t_us"] == round(link.clock.now_s() * 1e6)
        link.write(frame("status", 2))
        assert link.read(0.2)


def test_plug_takes_the_machines_place() -> None:
    with bench("") as link:
        link.tell_operator("fit-plug")
        pass_time(link, 4.0)
        state = link.look()
        # The sensor is unplugged too, so 3.3 V behind 100 ohm feeds the jig's dividers alone (2 Mohm each, the lines
        # behind 10 kohm): six of them, by hand 3.3 * 333 / 333.1 = 3.299 V
        assert state["VM"] == pytest.approx(3299, abs=2)
        assert state["VS"] == pytest.approx(3299, abs=2)
        assert state["B1"] > 3200 and state["state"] == "S5"  # the machine's own line is pulled up, nothing on it
        link.tell_operator("remove-plug")
        pass_time(link, 4.0)
        state = link.look()
        assert state["VM"] > 3290
        assert state["VM"] - state["VS"] < 2  # 2.75 mA through a relay contact
