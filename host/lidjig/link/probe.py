"""Asks whoever is on a link who it is, and takes no for an answer: a jig, a Python prompt, something else,
nothing.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass

from lidjig.link.base import Deadline, Link
from shared_proto import codec, names
from shared_proto.frame import FrameDecoder, encode_frame

_RESEND_S = 0.25
_PROMPT_S = 0.2
_KEPT_BYTES = 400


@dataclass(frozen=True)
class Answer:
    """What came. `kind` is "jig", "prompt" (MicroPython's, so no firmware runs), "other" or "nothing".

    `fields` are those of hello_result (or of the refusal of another protocol major, see `refused`), for a
    jig only.
    """

    kind: str
    fields: dict[str, int] | None = None
    heard: bytes = b""
    refused: int | None = None


def probe(link: Link, wait_s: float = 1.0, *, nonce: int | None = None) -> Answer:
    """Say hello and wait at most wait_s for what comes. Raises LinkLost.

    Where no frame comes, a bare line end is sent as well: a prompt answers it, and a jig counts it as a
    reject. nonce: the session number, random where none is given.
    """
    nonce = secrets.randbelow(0xFFFFFFFF) + 1 if nonce is None else nonce
    fields = {"major": names.PROTOCOL_MAJOR, "minor": names.PROTOCOL_MINOR, "session": nonce}
    # The leading delimiter ends whatever half frame the board may still be holding.
    hello = b"\x00" + encode_frame(codec.encode("hello", 1, **fields))
    decoder = FrameDecoder()
    deadline = Deadline(link.clock, wait_s)
    heard = b""
    while not deadline.passed:
        link.write(hello)
        answer, heard = _listen(
            link, decoder, nonce, Deadline(link.clock, min(_RESEND_S, deadline.left_s())), heard
        )
        if answer is not None:
            return answer
    link.write(b"\r\n")
    answer, heard = _listen(link, decoder, nonce, Deadline(link.clock, _PROMPT_S), heard)
    return answer or Answer(_kind(heard), heard=heard)


def _listen(
    link: Link, decoder: FrameDecoder, nonce: int, until: Deadline, heard: bytes
) -> tuple[Answer | None, bytes]:
    while not until.passed:
        data = link.read(max(0.001, until.left_s()))
        heard = (heard + data)[-_KEPT_BYTES:]
        for body in decoder.feed(data):
            answer = _answer(body, nonce)
            if answer is not None:
                return answer, heard
    return None, heard


def _answer(body: bytes, nonce: int) -> Answer | None:
    message = codec.decode(body)
    if message is None:
        return None
    if message.name == "hello_result" and message.fields["session"] == nonce:
        return Answer("jig", dict(message.fields))
    if message.name == "refusal" and message.fields["reason"] == names.REFUSED_VERSION:
        return Answer("jig", refused=message.fields["detail"])
    return None


def _kind(heard: bytes) -> str:
    if not heard.strip(b"\x00\r\n "):
        return "nothing"
    return (
        "prompt" if b">>>" in heard or heard.rstrip().endswith(b"raw REPL; CTRL-B to exit\r\n>") else "other"
    )
