"""Bytes in both directions on one link: turns, silence, reconnects. Knows sessions and frames, no request
by meaning.

Who may call what: one thread, no reader thread. Heartbeats go out inside turn(), so whoever waits for
anything waits by calling it. Every loop here ends at a deadline or after a stated count.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from random import Random

from lidjig.errors import JigTimeout, LinkLost, LossReason, NoJig
from lidjig.jig_types import LinkState
from lidjig.link.base import Deadline, Link
from lidjig.link.transcript import Transcript
from shared_proto import session_host as proto
from shared_proto.session_host import HostSession, Outcome

READ_MIN_S = 0.001  # what is left of a deadline may be less than a clock can tell: wait a little longer, never in place
TURN_S = 0.1  # longest single read: retries and heartbeats of the session go out in between
SILENT_S = 1.5  # listening in vain for so long is told as a lost link
REOPEN_S = 3.0  # and after so long the port is closed and opened again
_FIRST_FRAME_S = 2.0  # after reopening, a frame is due within this
_ATTEMPTS_MAX = 200  # reopenings for one loss; time runs out first on any link whose clock moves

GapTeller = Callable[[str, str, int | None], None]


class Conversation:
    """One session with one board over one link that may be lost and come back.

    retry_s: how long a lost link is tried for. nonce_seed: makes session numbers reproducible.
    """

    def __init__(self, link: Link, *, retry_s: float, nonce_seed: int | None) -> None:
        self.link = link
        self.retry_s = retry_s
        self.board = ""  # board id in hex once known, for messages
        self.transcript = Transcript()
        self.state = LinkState.CLOSED
        self.on_link: list[Callable[[LinkState, str], None]] = []
        self.tell_gap: GapTeller = _tell_nobody
        self.heard_us: Callable[[], int | None] = lambda: None  # board time when the jig was heard of last
        self.interruptions = 0
        self._random = Random(nonce_seed) if nonce_seed is not None else None
        self._start_s = link.clock.now_s()
        self._in_vain_s = 0.0  # time spent in reads since the last good frame
        self._heard_s = self._start_s  # when that frame came
        self._reopened = False  # for this silence
        self._loss: LinkLost | None = None  # met by flush()
        self.session = self._new_session()

    def now_us(self) -> int:
        """The session's clock: us since this object was made, on the link's clock."""
        return round((self.link.clock.now_s() - self._start_s) * 1e6)

    def renew(self) -> None:
        """Start over with a new session number: for a first hello, and after the board restarted."""
        self.session = self._new_session()

    def turn(self, timeout_s: float) -> list[Outcome]:
        """Send what is due, read once (at most timeout_s and TURN_S), and return what that amounts to.

        Raises LinkLost when a lost link did not come back within retry_s.
        """
        loss, self._loss = self._loss, None
        if loss is None:
            try:
                return self._turn(timeout_s)
            except LinkLost as error:
                loss = error
        return self._rejoin(loss)

    def flush(self) -> None:
        """Write what the session has queued (an acknowledgement) now.

        A loss is dealt with by the next turn.
        """
        try:
            self._write(self.session.take())
        except LinkLost as error:
            self._loss = error

    def timeout(self, awaited: str, since_s: float, before: tuple[int, int]) -> JigTimeout:
        """The error for something that did not come: `since_s` is link time, `before` the counts() then."""
        frames, rejects = self.counts()
        now_s = self.link.clock.now_s()
        return JigTimeout(
            awaited, now_s - since_s, frames - before[0], rejects - before[1], self.frame_age_s(now_s)
        )

    def counts(self) -> tuple[int, int]:
        """Good frames and rejects of this session so far."""
        stats = self.session.stats
        return stats.frames, stats.rejects

    def frame_age_s(self, now_s: float) -> float:
        """Seconds since the last good frame, or since this object was made when there was none."""
        return max(0.0, now_s - self._start_s - max(0, self.session.stats.last_frame_us) / 1e6)

    def lost(self, reason: LossReason, detail: str = "") -> LinkLost:
        """LinkLost with what is known here."""
        age_s = self.frame_age_s(self.link.clock.now_s())
        return LinkLost(self.board, self.link.name, age_s, reason, detail, self.link.traits.if_lost)

    def set_state(self, state: LinkState, text: str) -> None:
        """Tell a change of the link's state, once."""
        if state is self.state:
            return
        before, self.state = self.state, state
        if state is LinkState.LOST:
            self.interruptions += 1
            self.tell_gap("link-lost", text, self.heard_us())  # at rest the last event is long ago
        elif before is LinkState.LOST and state is LinkState.UP:
            self.tell_gap("link-back", text, None)
        for callback in self.on_link:
            callback(state, text)

    def close(self) -> None:
        """Release the link; never raises."""
        self.link.close()
        self.set_state(LinkState.CLOSED, "closed by the host")

    # -- inside a turn

    def _turn(self, timeout_s: float) -> list[Outcome]:
        outcomes = list(self.session.poll(self.now_us()))
        self._write(self.session.take())
        if outcomes:
            timeout_s = 0.0  # something is settled already: look what is there and return
        return outcomes + self._read(min(max(timeout_s, READ_MIN_S), TURN_S) if timeout_s > 0.0 else 0.0)

    def _write(self, data: bytes) -> None:
        if data:
            self.link.write(data)
            self.transcript.add(self.link.clock.now_s(), ">", data)

    def _read(self, timeout_s: float) -> list[Outcome]:
        frames_before = self.session.stats.frames
        began_s = self.link.clock.now_s()
        data = self.link.read(timeout_s)
        now_s = self.link.clock.now_s()
        outcomes: list[Outcome] = []
        if data:
            self.transcript.add(now_s, "<", data)
            outcomes = list(self.session.receive(data, self.now_us()))
        if self.session.stats.frames > frames_before:
            self._heard()
        else:
            self._in_vain_s += now_s - began_s
            self._check_silence()
        return outcomes

    def _heard(self) -> None:
        now_s = self.link.clock.now_s()
        silent_s, self._heard_s = now_s - self._heard_s, now_s
        self._in_vain_s = 0.0
        self._reopened = False
        if self.state is LinkState.LOST:
            self.set_state(LinkState.UP, f"a frame came on {self.link.name} after {silent_s:.1f} s")

    def _check_silence(self) -> None:
        if self.state is LinkState.CLOSED or self._in_vain_s < SILENT_S:
            return
        self.set_state(LinkState.LOST, f"no frame for {self._in_vain_s:.1f} s; {LossReason.SILENT.value}")
        if self._in_vain_s >= REOPEN_S and not self._reopened:
            self._reopened = True
            raise self.lost(LossReason.SILENT)
        if self._in_vain_s >= self.retry_s:
            raise self.lost(LossReason.SILENT)

    # -- after a loss

    def _rejoin(self, error: LinkLost) -> list[Outcome]:
        """Open the link again and wait for the first frame; retry_s in all. Returns what came with it."""
        detail = f" ({error.detail})" if error.detail else ""
        self.set_state(LinkState.LOST, f"{error.reason.value}{detail}")
        if self._in_vain_s >= self.retry_s:
            raise self._named(error) from error
        deadline = Deadline(self.link.clock, max(0.0, self.retry_s - self._in_vain_s))
        self.session.link_lost()
        last = error
        for _ in range(_ATTEMPTS_MAX):
            try:
                self.link.reopen(deadline)
                self.session.link_back(self.now_us())
                return self._first_frame(deadline)
            except NoJig as gone:
                raise self._named(last) from gone
            except LinkLost as again:
                self.session.link_lost()
                last = again
            if deadline.passed:
                break
        raise self._named(last) from last

    def _first_frame(self, deadline: Deadline) -> list[Outcome]:
        frames_before = self.session.stats.frames
        due = Deadline(self.link.clock, min(_FIRST_FRAME_S, deadline.left_s()))
        outcomes: list[Outcome] = []
        while not due.passed:
            outcomes += self.session.poll(self.now_us())
            self._write(self.session.take())
            data = self.link.read(min(TURN_S, max(READ_MIN_S, due.left_s())))
            if data:
                self.transcript.add(self.link.clock.now_s(), "<", data)
                outcomes += self.session.receive(data, self.now_us())
            if self.session.stats.frames > frames_before:
                self._heard()
                return outcomes
        raise self.lost(LossReason.SILENT)

    def _named(self, error: LinkLost) -> LinkLost:
        """The same loss with the board's id and the age of the last good frame."""
        named = self.lost(error.reason, error.detail)
        named.__cause__ = error.__cause__
        return named

    def _new_session(self) -> HostSession:
        nonce = self._random.randrange(1, 1 << 32) if self._random else secrets.randbelow(0xFFFFFFFF) + 1
        return HostSession(nonce)


def _tell_nobody(_kind: str, _text: str, _t_us: int | None) -> None:
    """Before a record is there."""


__all__ = ["Conversation", "proto"]
