# Captures: the levels of a line on the sensor's side at even distances, kept here until the host has read them.
#
# Service loop only. It listens and drives nothing, so that it may be asked for in every state and route. The samples
# are gone with a disarm, a trip or the next capture, and whatever is under way then ends there.
import gc

from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from boards.pio_capture import Listener

    from firmware.jig import Jig
    from shared_proto.codec import Message

_WORD_BITS = 32
_LONGEST_NS = 2000000000  # the samples of a host that is gone are no longer under way than this
_PART = 128  # bytes in an answer
_NOTHING = bytearray()


class Capture:
    def __init__(self, listener: "Listener") -> None:
        self._listener = listener
        self.request: Message | None = None  # while samples are taken
        self._data = _NOTHING  # not the host's to read before they are all there
        self._t_us = 0
        self._step_ps = 0

    def begin(self, jig: "Jig", message: "Message") -> None:
        fields = message.fields
        samples, step_ns = fields["samples"], fields["step_ns"]
        if samples % _WORD_BITS or samples * step_ns > _LONGEST_NS:
            jig.session.refuse(message, names.REFUSED_RANGE, 2)
            return
        if self.request is not None:
            jig.session.refuse(message, names.REFUSED_BUSY)
            return
        self._data = _NOTHING
        gc.collect()
        try:
            self._data = bytearray(samples // 8)
            pin = jig.board.lines[names.LINE_S1 + fields["line"]]
            ticks, self._step_ps = self._listener.start(pin, step_ns, self._data)
        except (MemoryError, OSError) as error:  # OSError: a channel or a program for which the chip has no room
            self._end()
            self._data = _NOTHING
            jig.log_exception(error)
            jig.session.refuse(message, names.REFUSED_MEMORY)
            return
        self._t_us = jig.clock.at(ticks)
        self.request = message

    def poll(self, jig: "Jig") -> None:
        # Answers the capture that is complete.
        request = self.request
        if request is not None and self._listener.done():
            self._end()
            jig.session.answer(request, t_us=self._t_us, step_ps=self._step_ps, samples=8 * len(self._data))

    def read(self, jig: "Jig", message: "Message") -> None:
        data = self._data if self.request is None else _NOTHING
        offset = message.fields["offset"]
        jig.session.answer(message, length=len(data), data=bytes(memoryview(data)[offset : offset + _PART]))

    def drop(self, jig: "Jig") -> None:
        # A disarm or a trip.
        request = self.request
        self._end()
        self._data = _NOTHING
        if request is not None:
            tripped = jig.lock.state == names.TRIPPED
            jig.session.refuse(request, names.REFUSED_TRIPPED if tripped else names.REFUSED_NOT_ARMED)

    def _end(self) -> None:
        # First who writes into the memory, then the memory.
        self._listener.stop()
        self.request = None
