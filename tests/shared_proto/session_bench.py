"""A host and a board joined by a link that a test can spoil, with a ledger of what really happened.

Within one connection a link keeps the order of what it delivers (it is a byte stream): frames may be lost, damaged,
delayed, or come twice in a row. Across a reconnect what was under way may come late, in any order, but before anything
of the new connection.
"""

from __future__ import annotations

from typing import Any

from proto_strategies import BOARD_INFO

from shared_proto import session_host as kinds
from shared_proto.codec import Message
from shared_proto.names import REFUSED_BUSY, REFUSED_STALE
from shared_proto.session_board import BoardSession
from shared_proto.session_host import HostSession, Outcome

KEEP = 6  # events, so that tests meet a full buffer


class Bench:
    """One bench. `now_us` is the true time; the board's own starts at each boot."""

    def __init__(self) -> None:
        self.now_us = 0
        self.boots = 0
        self.processes = 0
        # Frames under way: (number of the connection, frame).
        self.to_board: list[tuple[int, bytes]] = []
        self.to_host: list[tuple[int, bytes]] = []
        self.connected = True
        self.connection = 0

        self.next_token = 1
        self.acted: dict[int, int] = {}  # token: times carried out
        self.refused_by_board: set[int] = set()
        self.fates: dict[int, str] = {}  # token: how its request ended for the host
        self.deferred: list[Message] = []

        self.made: dict[int, list[int]] = {}  # boot: serial numbers of the events made, in order
        self.stored: dict[int, set[int]] = {}  # boot: event counters that some host has stored
        self.reported_lost = 0
        self.problems: list[str] = []
        self.boot_board()
        self.start_host()

    # --- ends ---

    def boot_board(self) -> None:
        self.boots += 1
        self.boot_at_us = self.now_us
        self.boot_id = 100 + self.boots
        self.board = BoardSession(dict(BOARD_INFO, boot_id=self.boot_id), KEEP)
        self.made[self.boot_id] = []
        self.stored[self.boot_id] = set()
        self.deferred = []

    def start_host(self) -> None:
        """A new process on the computer: nothing is remembered but what was stored."""
        self.processes += 1
        self.host = HostSession(1000 * self.processes)
        self.token: int | None = None
        self.last_boot: int | None = None
        self.last_counter = 0
        self.next_position = -1  # in made[last_boot]; -1 = not known, for a process that came later
        self.connected = True
        self.connection += 1
        self.host.request("hello", self.now_us)

    # --- link ---

    def drop_link(self) -> None:
        if self.connected:
            self.connected = False
            self.host.link_lost()

    def mend_link(self) -> None:
        if not self.connected:
            self.connected = True
            self.connection += 1
            self.host.link_back(self.now_us)

    def pump_out(self) -> None:
        """Both ends hand over what they have."""
        frames = self.host.take().split(b"\x00")
        if self.connected:
            self.to_board += [(self.connection, frame + b"\x00") for frame in frames if frame]
            frames = self.board.take(4096).split(b"\x00")
            self.to_host += [(self.connection, frame + b"\x00") for frame in frames if frame]

    def deliver_to_board(self, count: int) -> None:
        for _ in range(min(count, len(self.to_board))):
            for message in self.board.receive(self.to_board.pop(0)[1], self.board_us()):
                self._perform(message)

    def deliver_to_host(self, count: int) -> None:
        for _ in range(min(count, len(self.to_host))):
            self._outcomes(self.host.receive(self.to_host.pop(0)[1], self.now_us))

    def advance(self, us: int) -> None:
        self.now_us += us
        self.board.poll(self.board_us())
        self._outcomes(self.host.poll(self.now_us))

    def board_us(self) -> int:
        return self.now_us - self.boot_at_us

    # --- what the board does ---

    def _perform(self, message: Message) -> None:
        token = message.fields["start"]
        self.acted[token] = self.acted.get(token, 0) + 1
        if token % 5 == 1:
            self.deferred.append(message)
        elif token % 5 == 2:
            self.refused_by_board.add(token)
            self.acted[token] -= 1
            self.board.refuse(message, REFUSED_BUSY, token)
        else:
            self._answer(message)

    def _answer(self, message: Message) -> None:
        self.board.answer(message, first=message.fields["start"], total=0, entries=b"")

    def finish_deferred(self) -> None:
        for message in self.deferred:
            self._answer(message)
        self.deferred = []

    def make_event(self) -> None:
        serial = sum(len(made) for made in self.made.values())
        self.made[self.boot_id].append(serial)
        self.board.event("mark", serial, pressed=serial % 2)

    # --- what the host does ---

    def ask(self) -> None:
        if self.host.open_request is None and self.token is None and self.host.state in (kinds.OPEN, kinds.REJOINING):
            self.token = self.next_token
            self.next_token += 1
            self.host.request("log_read", self.now_us, start=self.token)

    def store_events(self) -> None:
        """What the recorder does: commit, then acknowledge."""
        if self.last_boot is not None and self.last_boot == self.host.boot_id:
            self.stored[self.last_boot] |= set(range(1, self.last_counter + 1))
            self.host.ack(self.last_counter)

    def _outcomes(self, outcomes: list[Outcome]) -> None:
        for outcome in outcomes:
            getattr(self, "_on_" + outcome.kind.lower())(outcome)

    def _end(self, fate: str) -> int:
        token = self.token
        if token is None:
            self.problems.append(f"{fate} for a request that was not open")
            return 0
        self.fates[token] = fate
        self.token = None
        return token

    def _on_result(self, outcome: Outcome) -> None:
        if outcome.message.name == "hello_result":
            self._begin_events(outcome.message.fields)
            return
        token = self._end(outcome.kind)
        if outcome.message.fields["first"] != token:
            self.problems.append(f"request {token} got the answer to {outcome.message.fields['first']}")

    def _on_refusal(self, outcome: Outcome) -> None:
        if outcome.message.fields["request"] == 0x01:
            # A late hello of another process took the board; this host asks for it again, under a new number.
            if outcome.detail != REFUSED_STALE:
                self.problems.append(f"hello was refused: {outcome.detail}")
            self.host.request("hello", self.now_us)
            return
        token = self._end(outcome.kind)
        if outcome.message.fields["detail"] != token:
            self.problems.append(f"request {token} got a refusal of {outcome.message.fields['detail']}")

    def _on_unknown(self, outcome: Outcome) -> None:
        if outcome.message.name == "hello":
            self.host.request("hello", self.now_us)
        else:
            self._end(outcome.kind)

    def _on_restarted(self, outcome: Outcome) -> None:
        self.last_boot = None

    def _on_rejoined(self, outcome: Outcome) -> None:
        if outcome.message.name == "hello_result":
            self._begin_events(outcome.message.fields)

    def _begin_events(self, fields: dict[str, Any]) -> None:
        if self.last_boot != fields["boot_id"]:
            self.last_boot = fields["boot_id"]
            self.last_counter = fields["first_event"] - 1
            self.next_position = 0 if self.last_counter == 0 else -1

    def _on_gap(self, outcome: Outcome) -> None:
        if outcome.message is None:
            self.problems.append(f"a gap of {outcome.detail} events that the board still had")
        else:
            self.reported_lost += outcome.detail

    def _on_event(self, outcome: Outcome) -> None:
        fields = outcome.message.fields
        if self.last_boot is None:
            self.problems.append("an event outside a session")
            return
        if fields["counter"] != self.last_counter + 1:
            self.problems.append(f"event {fields['counter']} after {self.last_counter}")
        self.last_counter = fields["counter"]
        made = self.made[self.last_boot]
        if outcome.message.name == "lost":
            if fields["count"] < 1:
                self.problems.append("a loss of nothing")
            at = made.index(fields["t_us"])
            if self.next_position >= 0 and at != self.next_position:
                self.problems.append("a loss told at the wrong place")
            self.next_position = at + fields["count"]
            return
        if fields["t_us"] not in made:
            self.problems.append(f"event {fields['t_us']} of another boot")
            return
        position = made.index(fields["t_us"])
        if self.next_position >= 0 and position != self.next_position:
            self.problems.append(f"event {position} of this boot instead of {self.next_position}, and no gap was told")
        self.next_position = position + 1

    def _on_pulse(self, outcome: Outcome) -> None:
        if outcome.message.fields["boot_id"] != self.host.boot_id:
            self.problems.append("a pulse of another boot")

    def _on_silent(self, outcome: Outcome) -> None:
        if outcome.detail < kinds.SILENT_US:
            self.problems.append("silence told too early")

    def _on_stray(self, outcome: Outcome) -> None:
        pass

    # --- promises ---

    def check(self) -> None:
        assert not self.problems, self.problems
        for token, times in self.acted.items():
            assert times <= 1, f"request {token} acted {times} times"
        for token, fate in self.fates.items():
            if fate == kinds.RESULT:
                assert self.acted.get(token) == 1, f"request {token} is said to have acted and did not"
            if fate == kinds.REFUSAL:
                assert self.acted.get(token, 0) == 0, f"request {token} is said not to have acted and did"
        forgotten = set(range(1, self.board.next_event - self.board.events_kept))
        unstored = forgotten - self.stored[self.boot_id]
        assert not unstored, f"the board forgot events {unstored} that nobody stored"

    def settle(self, seconds: float = 8.0) -> None:
        """A perfect link, both ends polled: everything has to come to its end."""
        self.mend_link()
        for _ in range(int(seconds * 20)):
            self.pump_out()
            self.deliver_to_board(len(self.to_board))
            self.finish_deferred()
            self.pump_out()
            self.deliver_to_host(len(self.to_host))
            self.store_events()
            self.advance(50000)
