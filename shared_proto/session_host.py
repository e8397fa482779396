"""The host's half of a session: one request at a time, its fate always told; events once and in order.

No ports and no clocks: bytes and a monotonic time in microseconds come in, outcomes and bytes come out.
Nothing that arrives raises; what the caller does wrong raises RuntimeError or ValueError.
"""

from collections import namedtuple

from shared_proto import codec
from shared_proto.frame import DELIMITER, FrameDecoder, encode_frame
from shared_proto.messages import RESULT_OFFSET, TO_HOST
from shared_proto.names import PROTOCOL_MAJOR, PROTOCOL_MINOR, REFUSED_NO_SESSION, REFUSED_STALE

# States of the host's half.
NEW = "new"  # no session
OPENING = "opening"  # hello of a new session is out
CUT = "cut"  # the link is gone, and the session was not open yet
OPEN = "open"
DOWN = "down"  # the link is gone, and the session may go on
REJOINING = "rejoining"  # rejoin is out: is it still the same boot?

# What happens.
HELLO = "caller says hello"
WELCOMED = "hello_result or rejoin_result"
TURNED_AWAY = "hello refused"
UNHEARD = "caller's hello unanswered"
OTHER_BOOT = "boot id changed"
SESSION_GONE = "refused no_session or stale"
DROP = "link lost"
BACK = "link back"

# (state, what happens): state. Not listed: ignored and counted, or RuntimeError where the caller did it.
NEXT = {
    (NEW, HELLO): OPENING,
    (NEW, DROP): NEW,
    (NEW, BACK): NEW,
    (OPENING, WELCOMED): OPEN,
    (OPENING, TURNED_AWAY): NEW,
    (OPENING, UNHEARD): NEW,
    (OPENING, HELLO): OPENING,
    (OPENING, DROP): CUT,
    (OPENING, BACK): OPENING,
    (CUT, DROP): CUT,
    (CUT, BACK): OPENING,
    (OPEN, HELLO): OPENING,
    (OPEN, OTHER_BOOT): OPENING,
    (OPEN, SESSION_GONE): OPENING,
    (OPEN, DROP): DOWN,
    (OPEN, BACK): REJOINING,
    (DOWN, DROP): DOWN,
    (DOWN, BACK): REJOINING,
    (REJOINING, WELCOMED): OPEN,
    (REJOINING, SESSION_GONE): OPENING,
    (REJOINING, HELLO): OPENING,
    (REJOINING, DROP): DOWN,
    (REJOINING, BACK): REJOINING,
}

# Kinds of outcome.
RESULT = "RESULT"  # the open request was carried out; message = its result
REFUSAL = "REFUSAL"  # the open request was not carried out; message = refusal, detail = reason
EVENT = "EVENT"  # message = the next event, in order, once
GAP = "GAP"  # events are missing before the next one; detail = how many
PULSE = "PULSE"  # message = pulse
BATCH = "BATCH"  # message = batch of this boot; some may be missing, which their numbers show
SILENT = "SILENT"  # no good frame for detail us; told again every second
RESTARTED = "RESTARTED"  # detail = (boot id before, now); events that the old boot still kept are gone
REJOINED = "REJOINED"  # a session is open again without the caller having asked; message = its result
UNKNOWN = "UNKNOWN"  # message = the open request: it may or may not have acted; detail = why
STRAY = "STRAY"  # message = an answer to nothing that is open
KINDS = (RESULT, REFUSAL, EVENT, GAP, PULSE, BATCH, SILENT, RESTARTED, REJOINED, UNKNOWN, STRAY)

# Why the fate of a request is unknown.
RESET = "restarted"
SUPERSEDED = "superseded"  # another host has taken the board meanwhile
UNANSWERED = "unanswered"

Outcome = namedtuple("Outcome", "kind message detail")

RETRY_US = 200000
TRIES = 25  # 5 s
BEAT_US = 250000
SILENT_US = 1000000
_OLD_BOOTS_KEPT = 4
_HELLO = 0x01
_REJOIN = 0x15
_FIRST_EVENT = 0x80
_LAST_EVENT = 0xBF


class Stats:
    """Counts for error messages. last_frame_us is -1 before the first good frame."""

    def __init__(self) -> None:
        self.frames = 0
        self.rejects = 0
        self.strays = 0
        self.repeats = 0  # events that had been delivered already
        self.last_frame_us = -1


class HostSession:
    """Host's half. session_nonce: 1..0xFFFFFFFF, not used with this board before.

    request("hello", now_us) comes first; its fields are filled in here. After that one request may be open
    at a time; it ends in exactly one of RESULT, REFUSAL and UNKNOWN. A request opened while a session is
    being opened again waits for it.
    """

    def __init__(self, session_nonce: int) -> None:
        if not 1 <= session_nonce <= 0xFFFFFFFF:
            raise ValueError("session_nonce: " + str(session_nonce) + ", accepted 1..4294967295")
        self.state = NEW
        self.stats = Stats()
        self.boot_id: int | None = None
        self._frames = FrameDecoder()
        self._unreadable = 0
        self._nonce = session_nonce
        self._nonce_used = False
        self._old_boots: list[int] = []
        self._seq = 0
        self._out: list[tuple[str, bytes]] = []  # (what it is, frame): one frame of each kind at most

        self._hello = b""  # body of the hello or rejoin that is out
        self._hello_seq = 0
        self._hello_tries = 0
        self._hello_wanted = False  # the caller asked for it and gets a RESULT
        self._open: codec.Message | None = None  # the open request
        self._open_body = b""
        self._open_tries = 0
        self._retry_us = 0  # when the open hello or request is due again
        self._beat_us = 0  # when the next heartbeat is due
        self._quiet_us = 0  # when silence began or was last told
        self._quiet_told_us = 0

        self._last = -1  # counter of the last event delivered; -1 until hello tells where they begin
        self._acked = 0
        self._asked_us = -RETRY_US  # when events were last asked for, or came

    # --- requests ---

    @property
    def open_request(self) -> codec.Message | None:
        """The request that is open, if any."""
        return self._open

    def request(self, name: str, now_us: int, **fields: object) -> None:
        """Opens a request. RuntimeError when one is open or nobody said hello; ValueError on a bad field."""
        if self._open is not None or self._hello_wanted:
            raise RuntimeError("a request is open")
        if name == "hello":
            self._go(HELLO)
            self._hello_wanted = True
            self._new_session(now_us)
            return
        if self.state == NEW:
            raise RuntimeError("hello comes first")
        body = codec.encode(name, self._seq % codec.SEQ_MAX + 1, **fields)
        message = codec.decode(body)
        if message is None or message.id + RESULT_OFFSET not in codec.BY_ID:
            raise ValueError(name + " is no request")
        self._seq = message.seq
        self._open = message
        self._open_body = body
        self._open_tries = 0
        if self.state == OPEN:
            self._send_open(now_us)

    def ack(self, counter: int) -> None:
        """Every event up to counter is stored: the board may forget them. Of an older boot: nothing."""
        if counter > self._last:
            return
        self._acked = max(self._acked, counter)
        if self.state == OPEN:
            self._send_ack()

    def link_lost(self) -> None:
        """Nothing can be sent from now on. An open request stays open."""
        self._go(DROP)
        self._frames.reset()
        self._out = []

    def link_back(self, now_us: int) -> None:
        """A link is there, to the same board. Hello follows by itself, then the open request."""
        self._go(BACK)
        self._frames.reset()
        self._out = []
        self._hear(now_us)
        if self.state == REJOINING:
            self._say_rejoin(now_us)
        elif self.state == OPENING:
            self._say_hello(now_us)

    def _go(self, happened: str) -> None:
        state = NEXT.get((self.state, happened))
        if state is None:
            raise RuntimeError(happened + " while " + self.state)
        self.state = state

    def _next_seq(self) -> int:
        self._seq = self._seq % codec.SEQ_MAX + 1
        return self._seq

    def _new_session(self, now_us: int) -> None:
        if self._nonce_used:  # a full-period step, so that one seed gives the same numbers every time
            self._nonce = (self._nonce * 1664525 + 1013904223) & 0xFFFFFFFF or 1
        self._nonce_used = True
        self._hear(now_us)
        self._say_hello(now_us)

    def _say_hello(self, now_us: int) -> None:
        # A fresh number each time: what was sent before is then older to the board than this hello.
        self._hello_seq = self._next_seq()
        self._hello = codec.encode(
            "hello", self._hello_seq, major=PROTOCOL_MAJOR, minor=PROTOCOL_MINOR, session=self._nonce
        )
        self._hello_first(now_us)

    def _say_rejoin(self, now_us: int) -> None:
        self._hello_seq = self._next_seq()
        self._hello = codec.encode("rejoin", self._hello_seq, session=self._nonce, boot_id=self.boot_id)
        self._hello_first(now_us)

    def _hello_first(self, now_us: int) -> None:
        self._hello_tries = 0
        self._out = []
        self._send_hello(now_us)

    # --- bytes out ---

    def _put(self, what: str, body: bytes) -> None:
        for position, (queued, _frame) in enumerate(self._out):
            if queued == what:  # still unsent: the newer one takes its place
                self._out.pop(position)
                break
        self._out.append((what, DELIMITER + encode_frame(body)))

    def _send_hello(self, now_us: int) -> None:
        self._put("hello", self._hello)
        self._hello_tries += 1
        self._retry_us = now_us + RETRY_US

    def _send_open(self, now_us: int) -> None:
        self._put("request", self._open_body)
        self._open_tries += 1
        self._retry_us = now_us + RETRY_US

    def _send_ack(self) -> None:
        if self._acked > 0:
            self._put("ack", codec.encode("ack", 0, counter=self._acked, boot_id=self.boot_id))

    def _ask_events(self, now_us: int) -> None:
        if now_us - self._asked_us < RETRY_US:
            return
        self._asked_us = now_us
        self._put("resend", codec.encode("resend", 0, counter=self._last, boot_id=self.boot_id))

    def take(self) -> bytes:
        """All bytes to write now; b"" when there are none or the link is down."""
        out = b"".join([frame for _what, frame in self._out])
        self._out = []
        return out

    # --- bytes in ---

    def receive(self, data: bytes, now_us: int) -> list[Outcome]:
        """What came of these bytes. Never raises on any bytes."""
        outcomes: list[Outcome] = []
        for body in self._frames.feed(data):
            message = codec.decode(body)
            if message is None or codec.BY_ID[message.id].direction != TO_HOST:
                self._unreadable += 1
                continue
            self.stats.frames += 1
            self.stats.last_frame_us = now_us
            self._hear(now_us)
            self._take_in(message, now_us, outcomes)
        self.stats.rejects = self._frames.rejects + self._unreadable
        return outcomes

    def _hear(self, now_us: int) -> None:
        self._quiet_us = now_us
        self._quiet_told_us = now_us

    def _take_in(self, message: codec.Message, now_us: int, outcomes: list[Outcome]) -> None:
        if _FIRST_EVENT <= message.id <= _LAST_EVENT:
            self._event(message, now_us, outcomes)
        elif message.name == "pulse":
            self._pulse(message, now_us, outcomes)
        elif message.name == "batch":
            mine = self.state == OPEN and message.fields["boot_id"] == self.boot_id
            if mine and len(message.fields["data"]) % 2 == 0:
                outcomes.append(Outcome(BATCH, message, None))
            else:
                self._stray(message, outcomes)
        elif message.name == "hello_result":
            self._hello_result(message, now_us, outcomes)
        elif message.name == "rejoin_result":
            self._rejoin_result(message, now_us, outcomes)
        elif message.name == "refusal":
            self._refusal(message, now_us, outcomes)
        elif self._answers_open(message, message.id - RESULT_OFFSET):
            self._close(RESULT, message, None, outcomes)
        else:
            self._stray(message, outcomes)

    def _stray(self, message: codec.Message, outcomes: list[Outcome]) -> None:
        self.stats.strays += 1
        outcomes.append(Outcome(STRAY, message, None))

    def _answers_open(self, message: codec.Message, request: int) -> bool:
        return self._open is not None and message.seq == self._open.seq and request == self._open.id

    def _answers_hello(self, message: codec.Message, state: str) -> bool:
        return self.state == state and message.seq == self._hello_seq

    def _close(self, kind: str, message: codec.Message, detail: object, outcomes: list[Outcome]) -> None:
        self._open = None
        outcomes.append(Outcome(kind, message, detail))

    def _refusal(self, message: codec.Message, now_us: int, outcomes: list[Outcome]) -> None:
        reason = message.fields["reason"]
        request = message.fields["request"]
        if self._answers_hello(message, OPENING) and request == _HELLO:
            self._go(TURNED_AWAY)
            self._hello_wanted = False
            if self._open is not None:
                self._close(UNKNOWN, self._open, SUPERSEDED, outcomes)
            outcomes.append(Outcome(REFUSAL, message, reason))
        elif self._answers_hello(message, REJOINING) and request == _REJOIN:
            self._go(SESSION_GONE)
            self._new_session(now_us)
        elif not self._answers_open(message, request):
            self._stray(message, outcomes)
        elif reason not in (REFUSED_NO_SESSION, REFUSED_STALE):
            self._close(REFUSAL, message, reason, outcomes)
        elif self.state == OPEN:  # an earlier copy may have acted; the boot id will tell what happened
            self._go(SESSION_GONE)
            self._new_session(now_us)

    def _hello_result(self, message: codec.Message, now_us: int, outcomes: list[Outcome]) -> None:
        fields = message.fields
        if fields["session"] != self._nonce:
            self._stray(message, outcomes)
        elif self._answers_hello(message, OPENING):
            if fields["boot_id"] != self.boot_id:
                self._other_boot(message, outcomes)
            if self._open is not None and self._open_tries:
                self._close(UNKNOWN, self._open, SUPERSEDED, outcomes)
            self._welcome(message, now_us, outcomes)
        elif self.state == OPEN and fields["boot_id"] not in self._old_boots + [self.boot_id]:
            # A copy of our hello met the board after a reset.
            self._restart(message, now_us, outcomes)
        else:
            self._stray(message, outcomes)

    def _rejoin_result(self, message: codec.Message, now_us: int, outcomes: list[Outcome]) -> None:
        if self._answers_hello(message, REJOINING):
            self._welcome(message, now_us, outcomes)
        else:
            self._stray(message, outcomes)

    def _welcome(self, message: codec.Message, now_us: int, outcomes: list[Outcome]) -> None:
        self._go(WELCOMED)
        self._beat_us = now_us
        before = message.fields["first_event"] - 1
        missing = before - self._last if self._last >= 0 else 0
        self._last = max(self._last, before)
        self._acked = max(self._acked, before)
        outcomes.append(Outcome(RESULT if self._hello_wanted else REJOINED, message, None))
        self._hello_wanted = False
        if missing > 0:
            outcomes.append(Outcome(GAP, None, missing))
        self._send_ack()
        self._asked_us = now_us - RETRY_US
        self._ask_events(now_us)  # without it the board sends none in this session
        if self._open is not None:
            self._open_tries = 0
            self._send_open(now_us)

    def _restart(self, message: codec.Message, now_us: int, outcomes: list[Outcome]) -> None:
        self._go(OTHER_BOOT)
        self._other_boot(message, outcomes)
        self._new_session(now_us)

    def _other_boot(self, message: codec.Message, outcomes: list[Outcome]) -> None:
        before = self.boot_id
        self.boot_id = message.fields["boot_id"]
        self._last = -1
        self._acked = 0
        if before is None:
            return
        self._old_boots = (self._old_boots + [before])[-_OLD_BOOTS_KEPT:]
        outcomes.append(Outcome(RESTARTED, message, (before, self.boot_id)))
        if self._open is not None and self._open_tries:
            self._close(UNKNOWN, self._open, RESET, outcomes)

    def _pulse(self, message: codec.Message, now_us: int, outcomes: list[Outcome]) -> None:
        boot = message.fields["boot_id"]
        if self.state != OPEN or boot in self._old_boots:
            self._stray(message, outcomes)
        elif boot != self.boot_id:
            self._restart(message, now_us, outcomes)
        else:
            outcomes.append(Outcome(PULSE, message, None))
            if message.fields["next_event"] - 1 > self._last:
                self._ask_events(now_us)

    def _event(self, message: codec.Message, now_us: int, outcomes: list[Outcome]) -> None:
        counter = message.fields["counter"]
        if self.state != OPEN:  # before hello_result it may be another boot's; the board sends it again
            self._stray(message, outcomes)
        elif counter <= self._last:
            self.stats.repeats += 1
            if counter <= self._acked:  # the acknowledgement was lost
                self._send_ack()
        elif counter == self._last + 1:
            self._last = counter
            self._asked_us = now_us  # they are coming: no need to ask
            if message.name == "lost":
                outcomes.append(Outcome(GAP, message, message.fields["count"]))
            outcomes.append(Outcome(EVENT, message, None))
        else:
            self._ask_events(now_us)

    # --- time ---

    def poll(self, now_us: int) -> list[Outcome]:
        """Retries, heartbeats, what has waited too long. Call at least every 50 ms while the link is up."""
        outcomes: list[Outcome] = []
        if self.state in (NEW, DOWN):
            return outcomes
        if self.state == OPEN:
            self._poll_open(now_us, outcomes)
        elif now_us >= self._retry_us:
            if self._hello_tries >= TRIES:
                self._unheard(outcomes)
            if self.state != NEW:
                self._send_hello(now_us)
        if now_us - self._quiet_told_us >= SILENT_US:
            self._quiet_told_us = now_us
            outcomes.append(Outcome(SILENT, None, now_us - self._quiet_us))
        return outcomes

    def _poll_open(self, now_us: int, outcomes: list[Outcome]) -> None:
        if self._open is not None and now_us >= self._retry_us:
            if self._open_tries < TRIES:
                self._send_open(now_us)
            else:
                self._close(UNKNOWN, self._open, UNANSWERED, outcomes)
        if now_us >= self._beat_us:
            self._put("beat", codec.encode("beat"))
            self._beat_us = now_us + BEAT_US

    def _unheard(self, outcomes: list[Outcome]) -> None:
        """Nobody waits longer for what was open. Our own hello goes on: the board may come back."""
        self._hello_tries = 0
        if self._open is not None:
            self._close(UNKNOWN, self._open, UNANSWERED, outcomes)
        if self._hello_wanted:
            self._go(UNHEARD)
            self._hello_wanted = False
            outcomes.append(Outcome(UNKNOWN, codec.Message(_HELLO, "hello", self._hello_seq, {}), UNANSWERED))
