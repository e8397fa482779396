# A ring of small records between one producer and one consumer.
#
# Contract. push(): one producer context only, which may be a hard interrupt or the tick; allocates nothing.
# pop_into(), peek_ticks(), take_dropped(): one consumer, the service loop. The producer alone writes _head,
# the consumer alone writes _tail, each is one small integer, and a record is complete before _head moves; so
# neither side needs the other held off. Hard interrupts may come in the middle of the tick (and of each other
# where priorities differ): therefore the tick and the pin interrupts have a ring each, and all pin interrupts
# of this firmware share one interrupt vector of the chip and cannot interrupt one another. Full: the new
# record is dropped and counted, and the consumer tells how many. Records already in stay.
from array import array

from micropython import const

_FIELDS = const(4)

# Kinds of record.
DEPARTED = const(1)  # a = segment, b = angle_mdeg
ARRIVED = const(2)
OUTPUT = const(3)  # a = output | operated << 1, b = angle_mdeg
BAND = const(4)  # a = channel | band << 8, b = raw
EDGE = const(5)  # a = line, b = level at the pin
LOST = const(6)  # a = edges that nobody heard


class Ring:
    def __init__(self, size: int) -> None:
        # size: records, a power of two; one place stays empty to tell full from empty.
        self._mask = size - 1
        self._data = array("i", [0] * (size * _FIELDS))
        self._head = 0
        self._tail = 0
        self.dropped = 0  # written by the producer only
        self._dropped_told = 0

    def push(self, kind: int, ticks: int, a: int, b: int) -> None:
        head = self._head
        after = (head + 1) & self._mask
        if after == self._tail:
            self.dropped = (self.dropped + 1) & 0x3FFFFFFF
            return
        data = self._data
        at = head << 2
        data[at] = kind
        data[at + 1] = ticks
        data[at + 2] = a
        data[at + 3] = b
        self._head = after

    def empty(self) -> bool:
        return self._head == self._tail

    def peek_ticks(self) -> int:
        # Time stamp of the oldest record; only when not empty().
        return self._data[(self._tail << 2) + 1]

    def pop_into(self, record: array) -> bool:
        # Oldest record into array('i') of 4; False when there is none.
        tail = self._tail
        if tail == self._head:
            return False
        at = tail << 2
        data = self._data
        record[0] = data[at]
        record[1] = data[at + 1]
        record[2] = data[at + 2]
        record[3] = data[at + 3]
        self._tail = (tail + 1) & self._mask
        return True

    def take_dropped(self) -> int:
        # Records dropped since the last call.
        dropped = self.dropped
        count = (dropped - self._dropped_told) & 0x3FFFFFFF
        self._dropped_told = dropped
        return count
