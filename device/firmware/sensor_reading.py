# What the requests that read a real sensor with pins of the jig share: when they are refused, and how they end.
#
# A trip may come in an interrupt at any moment of a reading. let_go() then makes every pin an input and takes the pins
# back (board.sensor_lent); whoever reads looks at that between two steps and stops.
from firmware.jig import Jig
from shared_proto import names
from shared_proto.codec import Message

_S1_S2 = 1 << names.LINE_S1 | 1 << names.LINE_S2


def refusal(jig: Jig, family: str, lines: int) -> int:
    # Reason against it, or 0. family: of the profile that it takes, since that tells how the bench is built: another
    # one has buffers where this one has pins that pull. lines: mask of those whose pins are needed besides S1 and S2.
    if jig.lock.state != names.ARMED:
        return names.REFUSED_NOT_ARMED
    if jig.route == names.ROUTE_THROUGH or jig.routing():
        return names.REFUSED_ROUTE
    values = jig.profile.values
    if values is None or jig.tick.following() is None:
        return names.REFUSED_NO_PROFILE
    from shared_proto import family_blobs  # there, since a profile of such a family is

    if family_blobs.FAMILIES[values["family"]] != family:
        return names.REFUSED_NO_PROFILE
    wiring = jig.wiring.values
    if wiring is not None and wiring["lines_used"] & lines:
        return names.REFUSED_ROUTE
    if jig.counting is not None and jig.counting.running:
        return names.REFUSED_BUSY
    if jig.capture is not None and jig.capture.request is not None:
        return names.REFUSED_BUSY
    return 0


def tripped(jig: Jig) -> bool:
    return bool(jig.tick.reason or jig.tick.lost)


def begin(jig: Jig, lines: int) -> None:
    # The edges that a reading makes are no news, and their interrupts would hold it up.
    jig.lines.lend(_S1_S2 | lines)


def end(jig: Jig, lines: int) -> None:
    jig.lines.give_back(_S1_S2 | lines)


def refuse_tripped(jig: Jig, message: Message) -> bool:
    # After a reading: True where a trip came meanwhile. Whatever was switched on goes off again.
    if not tripped(jig):
        return False
    jig.board.let_go()
    jig.session.refuse(message, names.REFUSED_TRIPPED)
    return True
