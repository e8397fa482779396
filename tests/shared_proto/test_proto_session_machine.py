"""Sessions on a link that loses, repeats, delays, damages and breaks, with resets on either side.

Promises: a command takes effect exactly once or its fate is said to be unknown; events arrive once and in order or the
gap is told; an event that the board forgot is stored; nobody waits for ever.
"""

from __future__ import annotations

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from session_bench import Bench

from shared_proto import session_host

few = st.integers(1, 4)


class Sessions(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.bench = Bench()

    # what the ends do

    @rule()
    def ask(self) -> None:
        self.bench.ask()

    @rule(count=st.integers(1, 9))
    def events_happen(self, count: int) -> None:
        for _ in range(count):
            self.bench.make_event()

    @rule()
    def events_are_stored(self) -> None:
        self.bench.store_events()

    @rule()
    def long_request_is_done(self) -> None:
        self.bench.finish_deferred()

    # what the link does

    @rule(us=st.sampled_from([1000, 60000, 210000, 260000, 1100000]))
    def time_passes(self, us: int) -> None:
        self.bench.advance(us)
        self.bench.pump_out()

    @rule(count=few)
    def board_gets(self, count: int) -> None:
        self.bench.pump_out()
        self.bench.deliver_to_board(count)

    @rule(count=few)
    def host_gets(self, count: int) -> None:
        self.bench.pump_out()
        self.bench.deliver_to_host(count)

    @rule(turns=few)
    def link_works_for_a_while(self, turns: int) -> None:
        for _ in range(turns):
            self.bench.pump_out()
            self.bench.deliver_to_board(9)
            self.bench.pump_out()
            self.bench.deliver_to_host(9)

    @rule(towards=st.booleans(), data=st.data())
    def frame_is_lost(self, towards: bool, data: st.DataObject) -> None:
        frames = self.bench.to_board if towards else self.bench.to_host
        if frames:
            frames.pop(data.draw(st.integers(0, len(frames) - 1)))

    @rule(towards=st.booleans(), data=st.data())
    def frame_comes_twice(self, towards: bool, data: st.DataObject) -> None:
        frames = self.bench.to_board if towards else self.bench.to_host
        if frames:
            at = data.draw(st.integers(0, len(frames) - 1))
            frames.insert(at, frames[at])

    @rule(towards=st.booleans(), data=st.data())
    def frame_is_damaged(self, towards: bool, data: st.DataObject) -> None:
        frames = self.bench.to_board if towards else self.bench.to_host
        if frames:
            at = data.draw(st.integers(0, len(frames) - 1))
            connection, frame = frames[at]
            damaged = bytearray(frame)
            damaged[data.draw(st.integers(0, len(frame) - 1))] ^= data.draw(st.integers(1, 255))
            frames[at] = (connection, bytes(damaged))

    @precondition(lambda self: self.bench.connected)
    @rule(data=st.data())
    def link_breaks(self, data: st.DataObject) -> None:
        self.bench.pump_out()
        self.bench.drop_link()
        for frames in (self.bench.to_board, self.bench.to_host):
            # What this connection has under way may come late, in any order; that of earlier ones comes before it.
            older = [frame for frame in frames if frame[0] != self.bench.connection]
            frames[:] = older + data.draw(st.permutations(frames[len(older) :]))

    @precondition(lambda self: not self.bench.connected)
    @rule()
    def link_is_mended(self) -> None:
        self.bench.mend_link()

    # resets

    @rule()
    def board_is_reset(self) -> None:
        self.bench.boot_board()

    @rule()
    def host_process_is_restarted(self) -> None:
        if self.bench.token is not None:  # its fate dies with the process
            self.bench.fates[self.bench.token] = "died"
        self.bench.start_host()

    @invariant()
    def promises_hold(self) -> None:
        self.bench.check()

    def teardown(self) -> None:
        bench = self.bench
        bench.settle()
        bench.check()
        assert bench.host.state == session_host.OPEN
        assert bench.host.open_request is None, "a request waits for ever"
        assert bench.board.events_kept == 0, "events wait for ever"
        made = bench.made[bench.boot_id]
        assert not made or bench.next_position in (-1, len(made)), "events are missing at the end"
        bench.ask()
        bench.settle(2.0)
        assert bench.fates[bench.next_token - 1] in (session_host.RESULT, session_host.REFUSAL)


Sessions.TestCase.settings = settings(
    max_examples=250,
    stateful_step_count=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
TestSessions = Sessions.TestCase
