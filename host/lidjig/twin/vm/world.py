"""Puts the simulated bench together from the facts that the host read out of a scenario: integers throughout.

Keys of the facts: see lidjig.twin.facts, which makes them.
"""

import gpio as g
from board import Board
from bus import Bus
from face import Face
from habits import Habits
from ina226 import Ina226
from kernel import Kernel
from laptop import STATES, Laptop
from person import Person
from rng import Rng
from sensor import Lid, Sensor
from wiring import NODES, Wiring

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any


class World:
    """One bench: board, wiring, machine, sensor, lid and operator on one clock."""

    def __init__(self, facts: "dict[str, Any]") -> None:
        seed = facts["seed"]
        self.kernel = Kernel()
        converter = facts["converter"]
        self.gpio = g.Gpio(
            self.kernel, Rng(seed, "converter"), converter["noise"], converter["offset"], converter["spikes"]
        )
        self.board = Board(self.kernel, self.gpio, seed, facts["board"])
        self.wiring = Wiring(self.kernel, self.gpio, facts["wiring"])
        self.meters = {row["number"]: self._meter(seed, row) for row in facts["meters"]}
        self.bus = Bus(self.kernel, self.gpio, Rng(seed, "bus"), self._on_bus(facts), facts["bus"])
        self.face = Face(self.gpio, self.wiring, self.meters.get(1), facts["face"])
        self.habits = Habits(self.kernel, Rng(seed, "habits"), self.face, facts["habits"])
        self.machine = Laptop(self.kernel, self.wiring, self.face, self.habits, Rng(seed, "machine"), facts["machine"])
        self.lid = Lid(self.kernel, facts["lid_mdeg"])
        self.sensor = Sensor(self.kernel, self.wiring, Rng(seed, "sensor"), facts["sensor"], self.lid)
        self.lid.sensor = self.sensor
        self.wiring.machine = self.machine
        self.wiring.face = self.face
        self.wiring.meter = self.meters.get(2)
        self.wiring.sensor = self.sensor
        self.board.refresh_input = self.wiring.refresh_input
        self.person = Person(
            self.kernel, self.gpio, self.wiring, self.machine, self.lid, Rng(seed, "operator"), facts["operator"]
        )
        self.kernel.callback_failed = self.board.print_failure
        self.gpio.handler_failed = self.board.print_failure
        self._settle(facts)
        for event in facts["events"]:
            self.kernel.at(event["t_us"], self._happens, event)

    def _meter(self, seed: int, facts: dict[str, int]) -> Ina226:
        return Ina226(self.kernel, Rng(seed, "meter-" + str(facts["number"])), facts)

    def _on_bus(self, facts: "dict[str, Any]") -> dict[int, Ina226]:
        return {number: self.meters[number] for number in self.meters if number not in facts["bus"]["missing"]}

    def _settle(self, facts: "dict[str, Any]") -> None:
        self.machine.settle(facts["start_state"], facts["charger"])
        self.sensor.publish_first()
        self.wiring.update()
        self.sensor.settle()
        self.wiring.update()
        self.machine.settled()
        self.habits.begin()

    def _happens(self, event: "dict[str, Any]") -> None:
        if event["do"] == "set-rail":
            self.wiring.set_rail(event["mv"])
        else:
            self.person.act(event["do"])

    def look(self) -> "dict[str, Any]":
        """State of the bench, for whoever tests or explains it; the firmware cannot see this."""
        wiring = self.wiring
        state: dict[str, Any] = {
            "t_us": self.kernel.now,
            "state": STATES[self.machine.state],
            "busy": self.machine.busy,
            "lid_mdeg": self.lid.angle_mdeg,
            "charger_mv": self.machine.charger_mv,
            "charger_ua": self.face.charger_ua,
            "observers": self.face.levels,
            "bus_held": self.bus.held,
            "bus_clocks": self.bus.clocks,
            "bus_fights": self.bus.fights,
            "bus_transfers": self.bus.transfers,
            "shut": self.machine.shut,
            "boots": self.board.boots,
            "solved": wiring.solved,
            "asked_unknown": self.person.unknown,
            "done": self.person.done,
            "sensor_drops": self.sensor.drops,
            "outputs": self.sensor.outputs,
            "pins": [self.gpio.given(n) for n in range(g.PINS)],
        }
        for k in range(len(NODES)):
            state[NODES[k]] = wiring.mv[k]
        for name in self.machine.counts:
            state[name] = self.machine.counts[name]
        return state
