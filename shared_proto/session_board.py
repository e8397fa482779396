"""The board's half of a session: what to carry out, what was answered, which events wait for the host.

No ports and no clocks: bytes and the board's time in microseconds come in, requests and bytes come out.
Everything is bounded: `keep` events, the last 8 answers, 4 requests not answered yet, 16 frames and 4 batches
that wait to be sent.
"""

from shared_proto import codec
from shared_proto.frame import DELIMITER, FrameDecoder, encode_frame
from shared_proto.messages import RESULT_OFFSET, TO_BOARD
from shared_proto.names import (
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    REFUSED_BUSY,
    REFUSED_NO_SESSION,
    REFUSED_STALE,
    REFUSED_UNKNOWN,
    REFUSED_VERSION,
)

TYPE_CHECKING = False  # MicroPython has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

# States of the board's half.
CLOSED = "closed"  # nobody has said hello since the boot
OPEN = "open"

# What can arrive.
HELLO_NEW = "hello, new session"
HELLO_AGAIN = "hello, same session"
HELLO_PAST = "hello, past session"
HELLO_FOREIGN = "hello, other major"
REJOIN = "rejoin, this session and boot"
REJOIN_OTHER = "rejoin, any other"
REQUEST_NEW = "request, newer"
REQUEST_PENDING = "request, being performed"
REQUEST_ANSWERED = "request, answer kept"
REQUEST_OLD = "request, older"
REQUEST_FULL = "request, newer, too many open"
REQUEST_STRANGE = "request, not known"
BEAT = "beat"
ACK = "ack"
RESEND = "resend"

# What is done about it.
BEGIN = "forget answers and open requests; hello_result"
WELCOME = "hello_result"
GO_ON = "rejoin_result"
PERFORM = "perform once"
IGNORE = "nothing; the answer comes when it is done"
REPEAT = "same answer again"
REFUSE = "refuse stale"
REFUSE_BUSY = "refuse busy; kept as its answer"
REFUSE_STRANGE = "refuse unknown_request"
REFUSE_VERSION = "refuse version"
REFUSE_NO_SESSION = "refuse no_session"
PULSE = "pulse"
RELEASE = "drop events up to counter"
REWIND = "send events after counter, from now on"

NEXT = {  # (state, what arrived): (state, what is done); not listed = ignored and counted
    (CLOSED, HELLO_NEW): (OPEN, BEGIN),
    (CLOSED, HELLO_FOREIGN): (CLOSED, REFUSE_VERSION),
    (CLOSED, REJOIN_OTHER): (CLOSED, REFUSE_NO_SESSION),
    (CLOSED, REQUEST_NEW): (CLOSED, REFUSE_NO_SESSION),
    (CLOSED, REQUEST_STRANGE): (CLOSED, REFUSE_NO_SESSION),
    (CLOSED, BEAT): (CLOSED, PULSE),
    (OPEN, HELLO_NEW): (OPEN, BEGIN),
    (OPEN, HELLO_AGAIN): (OPEN, WELCOME),
    (OPEN, HELLO_PAST): (OPEN, REFUSE),
    (OPEN, HELLO_FOREIGN): (OPEN, REFUSE_VERSION),
    (OPEN, REJOIN): (OPEN, GO_ON),
    (OPEN, REJOIN_OTHER): (OPEN, REFUSE_NO_SESSION),
    (OPEN, REQUEST_NEW): (OPEN, PERFORM),
    (OPEN, REQUEST_PENDING): (OPEN, IGNORE),
    (OPEN, REQUEST_ANSWERED): (OPEN, REPEAT),
    (OPEN, REQUEST_OLD): (OPEN, REFUSE),
    (OPEN, REQUEST_FULL): (OPEN, REFUSE_BUSY),
    (OPEN, REQUEST_STRANGE): (OPEN, REFUSE_STRANGE),
    (OPEN, BEAT): (OPEN, PULSE),
    (OPEN, ACK): (OPEN, RELEASE),
    (OPEN, RESEND): (OPEN, REWIND),
}

ANSWERS_KEPT = 8
PAST_KEPT = 4  # sessions remembered as past
PENDING_MAX = 4
QUEUE_MAX = 16  # frames other than events that wait to be sent
BATCHES_MAX = 4  # batches that wait to be sent, behind everything else
WINDOW = 8  # events sent and not acknowledged
RESEND_US = 250000
SILENT_US = 1000000  # no events are sent to a host that has been silent for so long
_HALF = 0x8000  # half of the sequence numbers
_FIRST_REQUEST = 0x01
_LAST_REQUEST = 0x3F


class BoardSession:
    """Board's half. Time is the board's own, 64-bit microseconds since boot.

    board_info: the fields of hello_result that the firmware knows (fw_major, fw_minor, fw_patch, board_id,
    boot_id, reset_cause, abilities). keep: events kept until they are acknowledged. pulse_fields: called for
    every heartbeat, gives the fields of pulse; boot_id and next_event are filled in here, and t_us where it
    is missing.
    """

    def __init__(
        self,
        board_info: "dict[str, int]",
        keep: int = 64,
        pulse_fields: "Callable[[], dict[str, int]] | None" = None,
    ) -> None:
        self._frames = FrameDecoder()
        self._info = dict(board_info)
        self._boot_id = self._info["boot_id"]
        self._pulse_fields = pulse_fields
        self._now_us = 0
        self.last_heard_us = -SILENT_US  # any good frame; before the first one the host counts as silent
        self.ignored = 0  # good frames that no rule wanted
        self.unreadable = 0  # good frames that hold no message of this table
        self.tx_dropped = 0  # frames that did not fit into the queue
        self.events_lost = 0  # since boot

        self.state = CLOSED
        self._nonce = 0
        self._past: list[int] = []
        self._last_seq = 0  # newest sequence number carried out or refused for good
        self._pending: list[codec.Message] = []
        self._answers: list[tuple[int, int, bytes]] = []  # (sequence number, request id, frame), oldest first

        self._queue: list[bytes] = []
        self._pulse_frame = b""
        self._batches: list[bytes] = []
        self._sending = b""  # what is left of the frame that take() is giving out

        self._keep = keep
        self._ring: list[bytes] = [b""] * keep  # bodies; event c sits at c % keep
        self._oldest = 1  # counter of the oldest event kept; equals _next when none is
        self._next = 1  # counter of the next event to come
        self._flowing = False  # the host of this session has shown, by resend, that it knows this boot
        self._send = 1  # counter of the next event to send
        self._sent_end = 1  # one past the newest event ever sent
        self._progress_us = 0  # when events were last sent first or acknowledged
        self._lost = 0  # lost since the last `lost` event
        self._lost_t_us = 0  # time of the first of them

    # --- what the firmware reads ---

    @property
    def events_kept(self) -> int:
        """Events not yet acknowledged."""
        return self._next - self._oldest

    @property
    def next_event(self) -> int:
        """Counter of the next event to come."""
        return self._next

    @property
    def rejects(self) -> int:
        """Frames rejected since boot: damaged ones, and good ones without a message in them."""
        return self._frames.rejects + self.unreadable

    # --- bytes in ---

    def receive(self, data: bytes, now_us: int) -> list[codec.Message]:
        """Requests to perform now, each one once ever. Never raises on any bytes."""
        self._now_us = now_us
        todo: list[codec.Message] = []
        for body in self._frames.feed(data):
            message = codec.decode(body)
            if message is None:
                self._unreadable(body, now_us)
            elif codec.BY_ID[message.id].direction != TO_BOARD:
                self.ignored += 1  # an echo of our own
            else:
                self.last_heard_us = now_us
                self._step(self._classify(message), message, todo)
        return todo

    def _unreadable(self, body: bytes, now_us: int) -> None:
        self.unreadable += 1
        if _FIRST_REQUEST <= body[0] <= _LAST_REQUEST:
            self.last_heard_us = now_us
            seq = int.from_bytes(body[1:3], "little")
            self._step(REQUEST_STRANGE, codec.Message(body[0], "", seq, {}), [])

    def _classify(self, message: codec.Message) -> str:
        name = message.name
        if name == "beat":
            return BEAT
        if name == "ack":
            return ACK
        if name == "resend":
            return RESEND
        if name == "hello":
            return self._classify_hello(message.fields)
        if name == "rejoin":
            fields = message.fields
            same = fields["session"] == self._nonce and fields["boot_id"] == self._boot_id
            return REJOIN if self.state == OPEN and same else REJOIN_OTHER
        return self._classify_request(message)

    def _classify_hello(self, fields: dict[str, int]) -> str:
        if fields["major"] != PROTOCOL_MAJOR:
            return HELLO_FOREIGN
        if self.state == OPEN and fields["session"] == self._nonce:
            return HELLO_AGAIN
        if fields["session"] in self._past:
            return HELLO_PAST
        return HELLO_NEW

    def _classify_request(self, message: codec.Message) -> str:
        if self.state == CLOSED:
            return REQUEST_NEW
        for pending in self._pending:
            if pending.seq == message.seq:
                return REQUEST_PENDING if pending.id == message.id else REQUEST_OLD
        for seq, number, _frame in self._answers:
            if seq == message.seq:
                return REQUEST_ANSWERED if number == message.id else REQUEST_OLD
        if message.seq == 0 or not 0 < (message.seq - self._last_seq) & 0xFFFF < _HALF:
            return REQUEST_OLD
        return REQUEST_FULL if len(self._pending) >= PENDING_MAX else REQUEST_NEW

    def _step(self, arrived: str, message: codec.Message, todo: list[codec.Message]) -> None:
        rule = NEXT.get((self.state, arrived))
        if rule is None:
            self.ignored += 1
            return
        self.state, what = rule
        if what == PERFORM:
            self._last_seq = message.seq
            self._pending.append(message)
            todo.append(message)
        elif what == REPEAT:
            for seq, _number, frame in self._answers:
                if seq == message.seq and frame not in self._queue:
                    self._put(frame)
        elif what == REFUSE_BUSY:
            self._last_seq = message.seq
            self._keep_answer(message, self._refusal(message, REFUSED_BUSY, 0))
        elif what == BEGIN:
            self._begin(message)
            self._welcome(message)
        elif what == WELCOME:
            self._welcome(message)
        elif what == GO_ON:
            self._put_body(
                codec.encode(
                    "rejoin_result",
                    message.seq,
                    t_us=self._now_us,
                    first_event=self._oldest,
                    next_event=self._next,
                )
            )
        elif what == PULSE:
            self._pulse()
        elif what == RELEASE:
            self._release(message.fields["counter"], message.fields["boot_id"])
        elif what == REWIND:
            self._rewind(message.fields["counter"] + 1, message.fields["boot_id"])
        elif what in _REFUSALS:
            reason, detail = _REFUSALS[what]
            self._put(self._refusal(message, reason, detail))

    # --- session ---

    def _begin(self, message: codec.Message) -> None:
        if self._nonce:
            self._past.append(self._nonce)
            if len(self._past) > PAST_KEPT:
                self._past.pop(0)
        self._nonce = message.fields["session"]
        self._last_seq = message.seq  # whatever was sent before this hello is older, and is not carried out
        self._pending = []
        self._answers = []
        self._queue = []
        self._batches = []
        self._flowing = False

    def _welcome(self, message: codec.Message) -> None:
        fields = dict(self._info)
        fields["major"] = PROTOCOL_MAJOR
        fields["minor"] = PROTOCOL_MINOR
        fields["session"] = self._nonce
        fields["t_us"] = self._now_us
        fields["first_event"] = self._oldest
        fields["next_event"] = self._next
        self._put_body(codec.encode("hello_result", message.seq, **fields))

    def _pulse(self) -> None:
        fields = {name: 0 for name in codec.BY_NAME["pulse"].names}
        fields["t_us"] = self._now_us
        if self._pulse_fields is not None:
            fields.update(self._pulse_fields())
        fields["boot_id"] = self._boot_id
        fields["next_event"] = self._next
        # One is enough: an older one that has not been sent yet gives way.
        self._pulse_frame = DELIMITER + encode_frame(codec.encode("pulse", 0, **fields))

    def _refusal(self, message: codec.Message, reason: int, detail: int) -> bytes:
        return DELIMITER + encode_frame(
            codec.encode("refusal", message.seq, request=message.id, reason=reason, detail=detail)
        )

    # --- answers ---

    def answer(self, message: codec.Message, **fields: object) -> None:
        """Sends the result of a request, now or later; t_us is filled in where it is missing.

        The answer to a request of a past session is dropped: its host is gone. ValueError on a field out of
        its range.
        """
        row = codec.BY_ID[message.id + RESULT_OFFSET]
        if "t_us" not in fields and "t_us" in row.names:
            fields["t_us"] = self._now_us
        self._settle(message, DELIMITER + encode_frame(codec.encode(row.name, message.seq, **fields)))

    def refuse(self, message: codec.Message, reason: int, detail: int = 0) -> None:
        """Says that a request was not carried out: names.REFUSED_, and a detail that depends on it."""
        self._settle(message, self._refusal(message, reason, detail))

    def _settle(self, message: codec.Message, frame: bytes) -> None:
        for position, pending in enumerate(self._pending):
            if pending is message:  # not ==: a past session may have had an equal request
                self._pending.pop(position)
                self._keep_answer(message, frame)
                return

    def _keep_answer(self, message: codec.Message, frame: bytes) -> None:
        self._answers.append((message.seq, message.id, frame))
        if len(self._answers) > ANSWERS_KEPT:
            self._answers.pop(0)
        self._put(frame)

    # --- events ---

    def event(self, name: str, t_us: int, **fields: object) -> None:
        """Queues an event and gives it its counter. When the buffer is full it is counted as lost."""
        self._tell_lost()
        if self.events_kept >= self._keep:
            self.lose(1, t_us)
        else:
            self._store(name, t_us, fields)

    def lose(self, count: int, t_us: int) -> None:
        """Counts events as lost, here or before they came here; a `lost` event tells of them as soon as it fits."""
        if self._lost == 0:
            self._lost_t_us = t_us
        self._lost += count
        self.events_lost += count

    def _store(self, name: str, t_us: int, fields: dict[str, object]) -> None:
        self._ring[self._next % self._keep] = codec.encode(name, 0, counter=self._next, t_us=t_us, **fields)
        self._next += 1

    def _tell_lost(self) -> None:
        if self._lost and self.events_kept < self._keep:
            self._store("lost", self._lost_t_us, {"count": self._lost})
            self._lost = 0

    def _release(self, counter: int, boot_id: int) -> None:
        if boot_id != self._boot_id or not self._oldest <= counter < self._sent_end:
            return
        while self._oldest <= counter:
            self._ring[self._oldest % self._keep] = b""
            self._oldest += 1
        self._send = max(self._send, self._oldest)
        self._progress_us = self._now_us
        self._tell_lost()

    def _rewind(self, counter: int, boot_id: int) -> None:
        if boot_id == self._boot_id:
            self._flowing = True
            self._send = min(max(counter, self._oldest), self._next)
            self._progress_us = self._now_us

    def poll(self, now_us: int) -> None:
        """Call often. Sends events again that were not acknowledged for 250 ms, from the oldest one on."""
        self._now_us = now_us
        self._tell_lost()
        if self._send > self._oldest and now_us - self._progress_us >= RESEND_US:
            self._send = self._oldest
            self._progress_us = now_us

    # --- samples ---

    def batch(self, channel: int, number: int, t_us: int, span_us: int, data: bytes) -> bool:
        """Sends readings of a channel once, when nothing else waits.

        False: there is no room, or nobody to take them; they are dropped, and the hole in the numbers tells of it.
        """
        silent = self._now_us - self.last_heard_us >= SILENT_US
        if len(self._batches) >= BATCHES_MAX or not self._flowing or silent:
            return False
        body = codec.encode(
            "batch", 0, channel=channel, number=number, boot_id=self._boot_id, t_us=t_us, span_us=span_us, data=data
        )
        self._batches.append(DELIMITER + encode_frame(body))
        return True

    # --- bytes out ---

    def _put_body(self, body: bytes) -> None:
        self._put(DELIMITER + encode_frame(body))

    def _put(self, frame: bytes) -> None:
        if len(self._queue) >= QUEUE_MAX:
            self.tx_dropped += 1
        else:
            self._queue.append(frame)

    def _next_frame(self) -> bytes:
        if self._queue:
            return self._queue.pop(0)
        if self._pulse_frame:
            frame = self._pulse_frame
            self._pulse_frame = b""
            return frame
        if not self._flowing or self._now_us - self.last_heard_us >= SILENT_US:
            self._batches = []
            return b""
        if self._send >= self._next or self._send - self._oldest >= WINDOW:
            return self._batches.pop(0) if self._batches else b""
        if self._send == self._oldest:
            self._progress_us = self._now_us
        body = self._ring[self._send % self._keep]
        self._send += 1
        self._sent_end = max(self._sent_end, self._send)
        return DELIMITER + encode_frame(body)

    def take(self, limit: int = 256) -> bytes:
        """The next bytes to write, at most limit; b"" when there is nothing. Frames may be cut anywhere."""
        out = b""
        while len(out) < limit:
            if not self._sending:
                self._sending = self._next_frame()
                if not self._sending:
                    break
            part = self._sending[: limit - len(out)]
            out += part
            self._sending = self._sending[len(part) :]
        return out


_REFUSALS = {  # what is done: (reason, detail)
    REFUSE: (REFUSED_STALE, 0),
    REFUSE_STRANGE: (REFUSED_UNKNOWN, 0),
    REFUSE_VERSION: (REFUSED_VERSION, PROTOCOL_MAJOR << 8 | PROTOCOL_MINOR),
    REFUSE_NO_SESSION: (REFUSED_NO_SESSION, 0),
}
