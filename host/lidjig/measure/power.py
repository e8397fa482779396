"""Power state of the machine from what the observers show."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Protocol

UNKNOWN = "unknown"

# Wire numbers of lines and channels (PROTOCOL.md); equal to the protocol's tables, which a test checks.
LINES = (
    "machine_1",
    "machine_2",
    "sensor_1",
    "sensor_2",
    "supply_ok",
    "mark",
    "observer_1",
    "observer_2",
    "observer_3",
    "observer_4",
)
CHANNELS = (
    "supply",
    "machine_1",
    "machine_2",
    "sensor_supply",
    "sensor_1",
    "sensor_2",
    "charger_v",
    "charger_i",
    "jig_3v3",
    "light",
    "meter_1_v",
    "meter_1_i",
    "meter_2_v",
    "meter_2_i",
    "pulses",
)
METER_CHANNELS = (("meter_1_v", "meter_1_i"), ("meter_2_v", "meter_2_i"))
METER_OK = 1  # PROTOCOL.md, states of a power monitor


class Signed(Protocol):
    """A machine profile, as far as it matters here."""

    def signatures(self) -> Mapping[str, Mapping[str, frozenset[int]]]:
        """Power state -> observer -> bands or levels that fit."""
        ...

    def channels(self) -> Mapping[str, str]:
        """Channel of the jig -> the analog observer that is read from it."""
        ...


class EventLike(Protocol):
    """An event of the jig: name, board time in us, fields."""

    @property
    def name(self) -> str: ...
    @property
    def t_us(self) -> int: ...
    @property
    def data(self) -> Mapping[str, int]: ...


Timeline = list[tuple[int, str]]  # (board time in us, power state) of each change, ascending


def spliced(parts: Iterable[tuple[int, Timeline]]) -> Timeline:
    """One timeline of several, each from its time on (board time in us; 0 = from the beginning): what an earlier one
    says after that does not count.
    """
    out: Timeline = []
    for since_us, timeline in parts:
        before = next((state for t_us, state in reversed(timeline) if t_us <= since_us), UNKNOWN)
        out = [item for item in out if item[0] < since_us]
        if since_us and (out[-1][1] if out else UNKNOWN) != before:
            out.append((since_us, before))
        out += [item for item in timeline if item[0] > since_us or not since_us]
    return out


class PowerClassifier:
    """Turns observer events into a timeline of power states with board times.

    A state holds when every observer in its signature shows what it should. Where none holds, more than one
    does, or an observer has not been heard, the state is "unknown". Hysteresis and dwell are the board's
    work: a band event comes late but carries the time at which the band began, so it may be stamped before an
    event fed earlier.
    """

    def __init__(self, machine: Signed) -> None:
        self._signatures = {state: dict(signature) for state, signature in machine.signatures().items()}
        self._channels = dict(machine.channels())
        self._wanted = {observer for signature in self._signatures.values() for observer in signature}
        self._shown: dict[str, int] = {}
        self._since_us: dict[str, int] = {}
        self.state = UNKNOWN
        self.since_us: int | None = None
        self.timeline: Timeline = []

    def feed(self, event: EventLike) -> tuple[int, str] | None:
        """Take an event as received; (board time in us, state) where the state changed, else None.

        A power monitor that does not answer any more takes what its observers showed with it.
        """
        if event.name == "meter":
            return self._meter(event)
        seen = self._observation(event)
        if seen is None or seen[0] not in self._wanted:
            return None
        return self.show(seen[0], seen[1], event.t_us)

    def show(self, observer: str, shown: int, t_us: int) -> tuple[int, str] | None:
        """What an observer shows from t_us on, by name: for readings taken before any event came. Returns as
        feed().
        """
        if observer not in self._wanted or self._shown.get(observer) == shown:
            return None
        self._shown[observer] = shown
        self._since_us[observer] = t_us
        return self._settle(t_us)

    def show_lines(self, mask: int, t_us: int) -> tuple[int, str] | None:
        """Levels of all digital lines at t_us, as a bit mask. Returns the last change, if any."""
        changed = None
        for bit, line in enumerate(LINES):
            changed = self.show(line, mask >> bit & 1, t_us) or changed
        return changed

    def forget(self, t_us: int, observers: Iterable[str] | None = None) -> tuple[int, str] | None:
        """Nothing is known from t_us on of these observers (None = of all): the board restarted, or events were lost.
        Returns as feed().
        """
        for observer in list(self._shown) if observers is None else observers:
            self._shown.pop(observer, None)
            self._since_us.pop(observer, None)
        return self._settle(t_us)

    def observers_of_meter(self, number: int) -> list[str]:
        """Observers that matter and are read from power monitor 1 or 2."""
        channels = METER_CHANNELS[number - 1] if 1 <= number <= len(METER_CHANNELS) else ()
        found = (self._channels.get(channel) for channel in channels)
        return sorted(observer for observer in found if observer is not None and observer in self._wanted)

    def showing(self) -> dict[str, int | None]:
        """What each observer that matters shows; None where it has not been heard."""
        return {observer: self._shown.get(observer) for observer in sorted(self._wanted)}

    def shown_since(self) -> dict[str, int]:
        """Board time in us from which on each observer that was heard has shown what it shows now."""
        return dict(self._since_us)

    def disagreeing(self, state: str) -> list[str]:
        """Observers that do not show what they should in a state, unheard ones included. Raises KeyError for
        the state.
        """
        wanted = self._signatures[state]
        return sorted(observer for observer, fits in wanted.items() if self._shown.get(observer) not in fits)

    def _settle(self, t_us: int) -> tuple[int, str] | None:
        fitting = [s for s in self._signatures if not self.disagreeing(s)]
        state = fitting[0] if len(fitting) == 1 else UNKNOWN
        if state == self.state:
            return None
        if state == UNKNOWN:
            at_us = t_us
        else:
            # The state holds since the last of its observers came to agree, whichever was reported last.
            at_us = max(self._since_us[observer] for observer in self._signatures[state])
        # A timeline never runs backwards, although a late band event may begin before what was already told.
        if self.since_us is not None:
            at_us = max(at_us, self.since_us)
        self.state, self.since_us = state, at_us
        self.timeline.append((at_us, state))
        return at_us, state

    def _meter(self, event: EventLike) -> tuple[int, str] | None:
        if event.data["state"] == METER_OK:
            return None
        return self.forget(event.t_us, self.observers_of_meter(event.data["meter"] + 1))

    def _observation(self, event: EventLike) -> tuple[str, int] | None:
        """(observer, level or band) of an event that shows one, else None. Numbers of newer firmware show nothing."""
        data = event.data
        if event.name == "edge" and 0 <= data["line"] < len(LINES):
            return LINES[data["line"]], data["level"]
        if event.name == "band" and 0 <= data["channel"] < len(CHANNELS):
            observer = self._channels.get(CHANNELS[data["channel"]])
            return None if observer is None else (observer, data["band"])
        if event.name == "supply":
            return "supply_ok", data["present"]
        return None
