"""The part of the jig that has no requests of its own: connecting, pumping, events into the record, asking
and waiting.

The order for an event is always: into the record (durable), acknowledged to the board, shown. A record
that fails stops that chain: nothing more is acknowledged, pumping raises the record's own error again, and
only what makes the bench safe (disarm, stop, status, leave, reset, close) still goes out.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from typing import Any

from lidjig.errors import (
    BadInput,
    JigRestarted,
    JigTimeout,
    LidjigError,
    LinkLost,
    LossReason,
    NoJig,
    Refused,
    StoreFailed,
    WrongProtocol,
)
from lidjig.jig_conversation import TURN_S, Conversation, proto
from lidjig.jig_samples import METER_LOST, MeterGaps, Numbering, OnBatch, lost_meter, to_batch
from lidjig.jig_types import Event, Hello, LinkState, Lock, Reason, Sink, lost_events_text, state_text
from lidjig.link.base import Clock, Deadline, Link
from shared_proto import names
from shared_proto.codec import Message
from shared_proto.session_host import Outcome

SEEN_MAX = 4096  # events kept in memory for whoever looks back; the record has them all
HELD_MAX = (
    1024  # events that wait for a sink; the board keeps 64 unacknowledged ones, so this is never reached
)
REQUEST_S = 8.0  # an answer is due within this, reconnects apart (the session gives up earlier)
CONNECT_S = 5.0
CLOSE_S = 2.0

# Requests that make the bench safe or only look: they go out even when the record has failed.
_SAFE_REQUESTS = frozenset({"hello", "status", "disarm", "stop", "leave", "reset"})


class JigCore:
    """Connection, event path and request mechanism. Use Jig."""

    def __init__(
        self, link: Link, *, sink: Sink | None = None, retry_s: float = 10.0, nonce_seed: int | None = None
    ) -> None:
        if nonce_seed is None and "nonce_seed" in link.details:
            nonce_seed = int(
                link.details["nonce_seed"]
            )  # a recording: its session number is part of what is compared
        self.link = link
        self.clock: Clock = link.clock
        self.pulse: dict[str, int] | None = None
        self.on_event: list[Callable[[Event], None]] = []
        self.on_batch: OnBatch = []
        self.seen: deque[Event] = deque(maxlen=SEEN_MAX)
        self.lock: Lock | None = None  # as last heard of; None before the first word on it
        self.reason = Reason.NONE
        self._talk = Conversation(link, retry_s=retry_s, nonce_seed=nonce_seed)
        self._talk.tell_gap = self._tell_gap
        self._talk.heard_us = lambda: self.pulse["t_us"] if self.pulse else None
        self._hello: Hello | None = None
        self._sink = sink
        self._store_error: StoreFailed | None = None
        self._held: deque[tuple[int, Event]] = deque(maxlen=HELD_MAX)  # (which boot, event) not recorded yet
        self._fresh: list[Event] = []  # recorded and acknowledged, not returned by pump yet
        self._gaps: list[tuple[str, str, int | None]] = []  # told before there was a sink
        self.gaps_told: Counter[str] = Counter()  # by kind, see Sink.gap: how often the record's continuity broke
        self.meters_lost: Counter[str] = Counter()  # of those METER_LOST, by meter_name()
        self._numbering = Numbering()
        self.meter_gaps = MeterGaps()
        self._answers: list[Message] = []
        self._unknown = False
        self._asking = ""  # the request whose answer is awaited
        self._restart: tuple[int, int] | None = None
        self._boots = (
            0  # how many restarts there were: events of an earlier boot cannot be acknowledged any more
        )
        self._check_state = False
        self._wrong_board: LinkLost | None = None
        self._closed = False

    # -- connecting

    def connect(self, deadline: Deadline | None = None) -> Hello:
        """Say hello until it is answered: ready means this, never a sleep.

        Raises NoJig when nothing answers, WrongProtocol for another major, LinkLost.
        """
        deadline = deadline or Deadline(self.clock, CONNECT_S)
        try:
            self._take_hello(self._say_hello(deadline))
        except LidjigError:
            self._store_frames()
            raise
        self._talk.set_state(LinkState.UP, "hello was answered")
        return self.hello

    @property
    def hello(self) -> Hello:
        """What the board said of itself. RuntimeError before connect()."""
        if self._hello is None:
            raise RuntimeError("the jig is not connected")
        return self._hello

    @property
    def link_state(self) -> LinkState:
        return self._talk.state

    @property
    def on_link(self) -> list[Callable[[LinkState, str], None]]:
        """Callables told each change of the link's state, once, with a text."""
        return self._talk.on_link

    @property
    def interruptions(self) -> int:
        """How often the link was lost since the jig was made.

        A procedure compares it to see that it must recover.
        """
        return self._talk.interruptions

    # -- the record

    @property
    def sink(self) -> Sink | None:
        """The record. Until one is set, events are kept and neither acknowledged nor shown."""
        return self._sink

    @sink.setter
    def sink(self, sink: Sink | None) -> None:
        self._sink = sink
        self._store_error = None
        if sink is not None:
            gaps, self._gaps = self._gaps, []
            for kind, text, t_us in gaps:
                self._tell_gap(kind, text, t_us)
            self._record()

    def last_frames(self) -> list[str]:
        """The last frames of both directions in text form, oldest first, seconds of the link's clock in
        front.
        """
        return self._talk.transcript.lines()

    # -- pumping

    def pump(self, timeout_s: float) -> list[Event]:
        """Send what is due, take in what comes, record, acknowledge, then return the new events.

        Returns as soon as there are events, or after timeout_s (0: one look). Heartbeats go out in here
        and nowhere else: an armed jig that is not pumped for 1 s lets go. Raises LinkLost, JigRestarted,
        StoreFailed.
        """
        deadline = Deadline(self.clock, timeout_s)
        while True:
            self._turn(deadline.left_s())
            self._raise_restart("")
            if self._store_error is not None:
                raise self._store_error
            if self._fresh or deadline.passed:
                fresh, self._fresh = self._fresh, []
                return fresh

    def idle(self, seconds: float) -> list[Event]:
        """Pump for so long on the link's clock; returns the events that came. Raises as pump."""
        deadline = Deadline(self.clock, seconds)
        came: list[Event] = []
        while not deadline.passed:
            came += self.pump(deadline.left_s())
        return came

    def wait_event(
        self,
        match: Callable[[Event], bool],
        deadline: Deadline,
        awaited: str = "an event",
        *,
        while_armed: bool = False,
    ) -> Event:
        """The first event from now on that matches. Others stay in `seen` (and went to on_event) as always.

        Events that came since the last pump, while a request was being answered, are looked at first. With
        while_armed, a jig that lets go ends the wait at once as Refused (tripped, or not_armed; detail =
        the reason's number). Raises JigTimeout naming `awaited`, and as pump.
        """
        began_s, before = self.clock.now_s(), self._talk.counts()
        while True:
            events = self.pump(0.0) if deadline.passed else self.pump(deadline.left_s())
            for at, event in enumerate(events):
                if match(event):
                    self._fresh[:0] = events[at + 1 :]
                    return event
            if while_armed and self.lock is not None and self.lock is not Lock.ARMED:
                refused = names.REFUSED_TRIPPED if self.lock is Lock.TRIPPED else names.REFUSED_NOT_ARMED
                raise Refused(f"wait for {awaited}", refused, int(self.reason))
            if deadline.passed:
                self._store_frames()
                raise self._talk.timeout(awaited, began_s, before)

    # -- asking

    def _ask(self, name: str, **fields: Any) -> dict[str, Any]:
        """Send a request and pump until its answer. Returns the result's fields.

        Raises Refused, JigTimeout, JigRestarted (the request named), LinkLost, BadInput (a field out of
        the wire's range).
        """
        self._check_usable(name)
        self._settle()
        if self._talk.session.state == proto.NEW:  # a hello on the way back from a lost link went unanswered
            self._take_hello(self._say_hello(Deadline(self.clock, self._talk.retry_s)))
        answer = self._answer_to(name, fields)
        if answer.name == "refusal":
            self._note_refusal(answer)
            raise Refused(name, answer.fields["reason"], answer.fields["detail"])
        return dict(answer.fields)

    def _answer_to(self, name: str, fields: dict[str, Any], deadline: Deadline | None = None) -> Message:
        """Result or refusal. Every request ends: answered, unknown, restarted, lost, or late."""
        deadline = deadline or Deadline(self.clock, REQUEST_S + self._talk.retry_s)
        began_s, before = self.clock.now_s(), self._talk.counts()
        self._unknown = False
        self._answers.clear()
        try:
            self._talk.session.request(name, self._talk.now_us(), **fields)
        except ValueError as error:
            raise _bad_field(error) from error
        self._asking = name
        try:
            while not self._answers:
                self._turn(min(TURN_S, deadline.left_s()))
                self._raise_restart(name)
                if not self._answers and (self._unknown or deadline.passed):
                    self._store_frames()
                    raise self._talk.timeout(f"the answer to '{name}'", began_s, before)
        finally:
            self._asking = ""
        return self._answers.pop()

    def _settle(self) -> None:
        """Let a request that was left open (by Ctrl-C, by a failed record) come to its end before the next
        one.
        """
        deadline = Deadline(self.clock, REQUEST_S + self._talk.retry_s)
        began_s, before = self.clock.now_s(), self._talk.counts()
        while (left := self._talk.session.open_request) is not None:
            self._turn(min(TURN_S, deadline.left_s()))
            self._raise_restart(left.name)
            if deadline.passed:
                raise self._talk.timeout(f"the answer to '{left.name}'", began_s, before)

    def _check_usable(self, name: str) -> None:
        if self._closed or (self._hello is None and name != "hello"):
            raise RuntimeError(f"'{name}' on a jig that is not connected")
        if self._store_error is not None and name not in _SAFE_REQUESTS:
            raise self._store_error

    def _note_refusal(self, answer: Message) -> None:
        if answer.fields["reason"] == names.REFUSED_TRIPPED:
            self.lock = Lock.TRIPPED
            self._store_frames()

    # -- one turn and what came of it

    def _turn(self, timeout_s: float) -> None:
        if self._wrong_board is not None:
            raise self._wrong_board  # nothing meant for our board may reach the one that is there now
        interruptions = self._talk.interruptions
        try:
            outcomes = self._talk.turn(timeout_s)
        except LinkLost:
            self._store_frames()
            raise
        if self._talk.interruptions != interruptions:
            self._check_state = True
        for outcome in outcomes:
            self._take(outcome)
        if self._held and self._sink is not None and self._store_error is None:
            self._record()

    def _take(self, outcome: Outcome) -> None:
        handler = self._HANDLERS.get(outcome.kind)
        if handler is not None:
            handler(self, outcome)

    def _take_answer(self, outcome: Outcome) -> None:
        self._answers.append(outcome.message)

    def _take_event(self, outcome: Outcome) -> None:
        fields = dict(outcome.message.fields)
        event = Event(outcome.message.name, fields.pop("counter"), fields.pop("t_us"), fields)
        self._held.append((self._boots, event))

    def _take_gap(self, outcome: Outcome) -> None:
        lost = outcome.message  # the board's own `lost` event, or None where the counters have a hole
        t_us = None if lost is None else int(lost.fields["t_us"])
        self._tell_gap("lost-events", lost_events_text(outcome.detail, told=lost is not None), t_us)

    def _take_batch(self, outcome: Outcome) -> None:
        """Into the record, then shown. Where there is no record (or it failed), it is a hole before the next one."""
        if self._sink is None or self._store_error is not None:
            return
        fields = outcome.message.fields
        lost = self._numbering.take(fields["channel"], fields["number"], fields["t_us"])
        batch = to_batch(fields, lost)
        if lost:
            told = "1 batch of readings is" if lost == 1 else f"{lost} batches of readings are"
            text = f"{batch.channel}: {told} missing before number {batch.number}"
            self._tell_gap("lost-samples", text, batch.t_us)
        if self._store_error is not None:
            return
        try:
            self._sink.batch(batch)
        except StoreFailed as error:
            self._store_error = error
            return
        for callback in self.on_batch:
            callback(batch)

    def _take_pulse(self, outcome: Outcome) -> None:
        self.pulse = dict(outcome.message.fields)
        self._set_lock(Lock(self.pulse["lock"]), Reason(self.pulse["reason"]))
        if self._check_state:
            self._check_state = False
            self._tell_gap("link-state", state_text(self.pulse), self.pulse["t_us"])

    def _take_unknown(self, _outcome: Outcome) -> None:
        self._unknown = True

    def _take_restart(self, outcome: Outcome) -> None:
        first = self._restart[0] if self._restart is not None else outcome.detail[0]
        self._restart = (first, outcome.detail[1])
        if self._held and self._sink is not None and self._store_error is None:
            self._record()  # what the boot before still told comes before the mark
        self._boots += 1
        self._numbering.forget()
        self.lock, self.reason = Lock.DISARMED, Reason.BOOT
        fate = f"; '{self._asking}' was open, whether it was carried out is unknown" if self._asking else ""
        self._tell_gap("restart", "boot {:08x} -> {:08x}".format(*outcome.detail) + fate, None)

    def _take_rejoined(self, outcome: Outcome) -> None:
        if outcome.message.name == "hello_result":  # a new session; going on with the old one says nothing new
            self._take_hello(outcome.message)

    _HANDLERS: dict[Any, Callable[[JigCore, Outcome], None]] = {
        proto.RESULT: _take_answer,
        proto.REFUSAL: _take_answer,
        proto.EVENT: _take_event,
        proto.GAP: _take_gap,
        proto.BATCH: _take_batch,
        proto.PULSE: _take_pulse,
        proto.UNKNOWN: _take_unknown,
        proto.RESTARTED: _take_restart,
        proto.REJOINED: _take_rejoined,
    }

    def _set_lock(self, lock: Lock, reason: Reason) -> None:
        tripped = lock is Lock.TRIPPED and self.lock is not Lock.TRIPPED
        self.lock, self.reason = lock, reason
        if tripped:
            self._store_frames()

    def _record(self) -> None:
        """Held events: store, acknowledge, show. In this order, and nothing of it when storing fails."""
        assert self._sink is not None
        if not self._held:
            return
        batch = [event for _boot, event in self._held]
        current = [event.counter for boot, event in self._held if boot == self._boots]
        try:
            self._sink.events(batch)
        except StoreFailed as error:
            self._store_error = error
            raise
        self._held.clear()
        if current:
            self._talk.session.ack(current[-1])
        self._talk.flush()
        self._fresh += batch
        self.seen.extend(batch)
        for event in batch:
            if event.name == "lock":
                self._set_lock(Lock(event.data["state"]), Reason(event.data["reason"]))
            gap = self.meter_gaps.of(event)
            if gap is not None:
                self._tell_gap(*gap, event.t_us)
            for callback in self.on_event:
                callback(event)

    def _tell_gap(self, kind: str, text: str, t_us: int | None) -> None:
        if self._sink is None:
            self._gaps.append((kind, text, t_us))
            return
        self.gaps_told[kind] += 1
        if kind == METER_LOST:
            self.meters_lost[lost_meter(text)] += 1
        if self._store_error is None:
            try:
                self._sink.gap(kind, text, t_us)
            except StoreFailed as error:
                self._store_error = error

    def _store_frames(self) -> None:
        if self._sink is not None and self._store_error is None:
            try:
                self._sink.frames(self.last_frames())
            except StoreFailed as error:
                self._store_error = error

    # -- restarts and hello

    def _raise_restart(self, open_request: str) -> None:
        """After a reset of the board: until the new session stands, so that the jig can be used again;
        then say it.
        """
        if self._restart is None:
            return
        restart = self._end_restart()
        raise JigRestarted(self._talk.board, *restart, open_request)

    def _end_restart(self) -> tuple[int, int]:
        deadline = Deadline(self.clock, self._talk.retry_s)
        while self._talk.session.state != proto.OPEN and not deadline.passed:
            self._turn(min(TURN_S, deadline.left_s()))
        assert self._restart is not None
        restart, self._restart = self._restart, None
        self._store_frames()
        return restart

    def _hello_after_reset(self, deadline: Deadline) -> Hello:
        while self._restart is None:
            self._turn(min(TURN_S, deadline.left_s()))
            if deadline.passed:
                raise NoJig(self.link.name, "the board does not come back after a reset")
        self._end_restart()
        return self.hello

    def _last_disarm(self, deadline: Deadline) -> None:
        """Disarm while closing: whatever is still open is let go of, nothing is waited for past the
        deadline.
        """
        while self._talk.session.open_request is not None and not deadline.passed:
            self._turn(min(TURN_S, deadline.left_s()))
        if not deadline.passed:
            self._answer_to("disarm", {}, deadline)

    def _say_hello(self, deadline: Deadline) -> Message:
        """Hello in a new session until it is answered or the deadline has passed."""
        self._talk.renew()
        while True:
            try:
                answer = self._answer_to("hello", {}, deadline)
            except JigTimeout as error:
                todo = str(getattr(self.link, "if_silent", ""))
                raise no_answer(self.link.name, self.last_frames(), todo) from error
            if answer.name != "refusal":
                return answer
            reason, detail = answer.fields["reason"], answer.fields["detail"]
            if reason == names.REFUSED_VERSION:
                host = f"{names.PROTOCOL_MAJOR}.{names.PROTOCOL_MINOR}"
                raise WrongProtocol(host, f"{detail >> 8}.{detail & 0xFF}", "older or newer", self.link.name)
            if reason != names.REFUSED_STALE or deadline.passed:
                raise Refused("hello", reason, detail)
            self._talk.renew()  # a session number that this board has met before: take another

    def _take_hello(self, message: Message) -> None:
        hello = Hello.from_fields(message.fields)
        if self._hello is not None and hello.board_id != self._hello.board_id:
            detail = f"another board, {hello.board_hex}, is on the port now"
            self._wrong_board = self._talk.lost(LossReason.CLOSED, detail)
            raise self._wrong_board
        self._hello = hello
        self._talk.board = hello.board_hex


def _bad_field(error: ValueError) -> BadInput:
    """The codec's "move.angle_mdeg: 400000, accepted 0..360000" as BadInput."""
    key, _, rest = str(error).partition(": ")
    value, _, accepted = rest.partition(", accepted ")
    return BadInput("", key, value, accepted or str(error))


def no_answer(port: str, heard: list[str], todo: str = "") -> NoJig:
    """NoJig for a port on which hello was not answered; what was heard decides the words. todo: what the link itself
    has to say about what to do then."""
    text = " ".join(heard)
    if "3e3e3e" in text:  # ">>>" in hexadecimal
        return NoJig(port, "MicroPython's prompt answers there; the firmware is not running", todo=todo)
    if any(" < " in line for line in heard):
        return NoJig(port, "something answers there, but not this protocol", todo=todo)
    return NoJig(port, "nothing answers hello", todo=todo)
