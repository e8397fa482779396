"""Virtual time: what happens when, and how far the host lets it run.

Time moves only while the firmware waits (or asks for the time, which costs a few microseconds, so that busy waits
end). Everything between two calls into the shims takes no time. Order at one instant: events of the bench, then timer
callbacks, then latched pin interrupts; an interrupt handler is never interrupted.
"""

import heapq

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any, Protocol

    class FirmwareTimer(Protocol):
        """What add_timer() wants to know of a timer; period_us 0 = once."""

        due_us: int
        period_us: int
        callback: Callable[[Any], object]


try:
    from micropython import heap_lock, heap_unlock
except ImportError:  # CPython

    def heap_lock() -> int:
        return 0

    def heap_unlock() -> int:
        return 0


FAR = 1 << 60


class BoardReset(BaseException):
    """Unwinds the firmware: the board starts again. Not an Exception, so that firmware handlers let it pass."""


class Event:
    """A call that is due later; cancel() forgets it."""

    def __init__(self, call: "Callable[[Any], object]", argument: object) -> None:
        self.call: Callable[[Any], object] | None = call
        self.argument = argument

    def cancel(self) -> None:
        self.call = None


class Kernel:
    """Clock, event queue, timers and interrupt dispatch.

    exchange: answers the host and gets its next word; service_irqs: runs latched pin interrupts; callback_failed: told
    what a timer callback raised. Whoever owns them sets them before time runs.
    """

    exchange: "Callable[[], None]"
    service_irqs: "Callable[[], None]"
    callback_failed: "Callable[[Exception], None]"

    def __init__(self) -> None:
        self.now = 0  # us since the bench came to life
        self.budget = 0  # the host lets time run to here
        self.next_event = FAR
        self.timer_next = FAR
        self.irqs = 0  # bit n: an interrupt of pin n is latched and waits
        self.in_isr = False
        self._paused = 0  # calls of the bench, one in another, that allocate in the middle of a handler
        self.dead = False  # a reset (or Ctrl-C) is due; every wait unwinds the firmware
        self.interrupted = False  # it is Ctrl-C
        self.attention = False  # bytes for the host wait, or it must be told something
        self.input_ready = False
        self._timers: tuple[FirmwareTimer, ...] = ()
        self._heap: list[tuple[int, int, Event]] = []
        self._order = 0
        self._heap_lock = heap_lock
        self._heap_unlock = heap_unlock

    # events of the bench

    def at(self, t_us: int, call: "Callable[[Any], object]", argument: object = None) -> Event:
        """Calls call(argument) at t_us, or at once when that is past; returns the Event."""
        event = Event(call, argument)
        self._order += 1
        heapq.heappush(self._heap, (t_us, self._order, event))
        if t_us < self.next_event:
            self.next_event = t_us
        return event

    def after(self, delay_us: int, call: "Callable[[Any], object]", argument: object = None) -> Event:
        return self.at(self.now + delay_us, call, argument)

    def _run_event(self) -> None:
        heap = self._heap
        t_us, _order, event = heapq.heappop(heap)
        self.next_event = heap[0][0] if heap else FAR
        if t_us > self.now:
            self.now = t_us
        if event.call is not None:
            event.call(event.argument)

    # timers of the firmware

    def add_timer(self, timer: "FirmwareTimer") -> None:
        """Its callback runs at due_us, and every period_us from then on (0 = once)."""
        self.remove_timer(timer)
        self._timers = self._timers + (timer,)
        self._find_next_timer()

    def remove_timer(self, timer: "FirmwareTimer") -> None:
        self._timers = tuple([t for t in self._timers if t is not timer])
        self._find_next_timer()

    def remove_timers(self) -> None:
        self._timers = ()
        self.timer_next = FAR

    def _find_next_timer(self) -> None:
        due = FAR
        for timer in self._timers:
            if timer.due_us < due:
                due = timer.due_us
        self.timer_next = due

    def _run_timers(self, limit_us: int) -> None:
        # Runs callbacks until limit_us, the next event of the bench, or until something else wants to be looked at.
        if len(self._timers) != 1 or not self._timers[0].period_us:
            self._run_due_timers()
            return
        timer = self._timers[0]
        self.enter_isr()
        try:
            self._run_timer(timer, limit_us)
        except Exception as error:  # noqa: BLE001  as on the board, whatever it was
            self.leave_isr()
            # What a timer callback lets escape is printed, and that timer runs no more.
            self.remove_timer(timer)
            self.callback_failed(error)
        finally:
            self.leave_isr()

    def _run_timer(self, timer: "FirmwareTimer", limit_us: int) -> None:
        # The one periodic timer, which is the usual case and has to be quick.
        due = self.timer_next
        while True:
            if due > self.now:
                self.now = due
            timer.due_us = self.timer_next = due + timer.period_us
            timer.callback(timer)
            due = self.timer_next
            if self.irqs or self.dead or due > limit_us or due >= self.next_event:
                return

    def _run_due_timers(self) -> None:
        # Any number of timers, one instant.
        now = self.timer_next
        if now > self.now:
            self.now = now
        for timer in self._timers:
            if timer.due_us > now:
                continue
            if timer.period_us:
                timer.due_us += timer.period_us
            else:
                self.remove_timer(timer)
            self.enter_isr()
            try:
                timer.callback(timer)
            except Exception as error:  # noqa: BLE001  as on the board, whatever it was
                self.leave_isr()
                self.remove_timer(timer)
                self.callback_failed(error)
            finally:
                self.leave_isr()
        self._find_next_timer()

    # interrupt context: as on the board, the heap is locked in it (on MicroPython; elsewhere there is nothing to lock)

    def enter_isr(self) -> None:
        self.in_isr = True
        self._paused = 0
        self._heap_lock()

    def leave_isr(self) -> None:
        if self.in_isr:
            self.in_isr = False
            if not self._paused:
                self._heap_unlock()

    def pause_isr(self) -> None:
        """The bench acts in the middle of an interrupt handler, and may allocate until resume_isr()."""
        if self.in_isr:
            if not self._paused:
                self._heap_unlock()
            self._paused += 1

    def resume_isr(self) -> None:
        if self.in_isr:
            self._paused -= 1
            if not self._paused:
                self._heap_lock()

    # unwinding the firmware

    def interrupt(self) -> None:
        """Ctrl-C came: KeyboardInterrupt in the program at its next wait. A reset that is due goes first."""
        if not self.dead:
            self.dead = self.interrupted = True

    def _unwind(self) -> None:
        if self.interrupted:
            self.dead = self.interrupted = False
            raise KeyboardInterrupt()
        raise BoardReset()

    # waiting

    def run_until(self, target_us: int, stop_on_input: bool) -> None:
        """Lets time pass to target_us; ends earlier when stop_on_input and there is input.

        Raises BoardReset and KeyboardInterrupt.
        """
        while True:
            if self.irqs:
                self.service_irqs()
            if self.dead:
                self._unwind()
            if self.attention or self.now >= self.budget:
                self.exchange()
                continue
            if stop_on_input and self.input_ready:
                return
            event = self.next_event
            timer = self.timer_next
            now = self.now
            if now >= target_us:
                if event > now and timer > now:
                    return
                limit = now
            else:
                limit = target_us if target_us < self.budget else self.budget
            if event <= timer:
                if event <= limit:
                    self._run_event()
                    continue
            elif timer <= limit:
                self._run_timers(limit)
                continue
            if limit > self.now:
                self.now = limit

    def spend(self, us: int) -> None:
        """Time that a call itself takes. Inside an interrupt handler nothing else gets its turn."""
        self.now += us
        if self.in_isr:
            return
        now = self.now
        if self.irqs or self.dead or self.timer_next <= now or self.next_event <= now or now >= self.budget:
            self.run_until(now, False)
