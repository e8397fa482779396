"""Puts the simulated bench together from the facts that the host read out of a scenario: integers throughout.

Keys of the facts: see lidjig.twin.facts, which makes them.
"""

import gpio as g
from board import Board
from bus import Bus
from face import Face
from habits import Habits
from i2c_target import Targets
from ina226 import Ina226
from kernel import Kernel
from laptop import STATES, Laptop
from person import Person
from pio_unit import Pio
from pwm import Pwm
from rng import Rng
from sensor import Lid, Sensor
from soft_i2c import SensorBus
from wiring import NODES, Wiring

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from angle_line import AngleLine


class World:
    """One bench: board, wiring, machine, sensor, lid and operator on one clock."""

    def __init__(self, facts: "dict[str, Any]") -> None:
        seed = facts["seed"]
        self._waves: dict[str, Any] = {}
        self.kernel = Kernel()
        converter = facts["converter"]
        self.gpio = g.Gpio(
            self.kernel, Rng(seed, "converter"), converter["noise"], converter["offset"], converter["spikes"]
        )
        self.pio = Pio(self.kernel, self.gpio)
        self.pwm = Pwm(self.kernel, self.gpio)
        self.targets = Targets(self.kernel, self.gpio)
        self.board = Board(self.kernel, self.gpio, seed, facts["board"])
        self.wiring = Wiring(self.kernel, self.gpio, facts["wiring"])
        self.sensor_bus = SensorBus(self.kernel, self.gpio, self.wiring)
        self.meters = {row["number"]: self._meter(seed, row) for row in facts["meters"]}
        self.bus = Bus(self.kernel, self.gpio, Rng(seed, "bus"), self._on_bus(facts), facts["bus"])
        self.face = Face(self.gpio, self.wiring, self.meters.get(1), facts["face"])
        self.habits = Habits(self.kernel, Rng(seed, "habits"), self.face, facts["habits"])
        self.machine = Laptop(self.kernel, self.wiring, self.face, self.habits, Rng(seed, "machine"), facts["machine"])
        self.lid = Lid(self.kernel, facts["lid_mdeg"])
        self.sensor = self._sensor(Rng(seed, "sensor"), facts["sensor"])
        self.lid.sensor = self.sensor
        self.sensor_bus.sensor = self.sensor
        self.wiring.machine = self.machine
        self.wiring.face = self.face
        self.wiring.meter = self.meters.get(2)
        self.wiring.sensor = self.sensor
        if facts["sensor"]["angle"] is not None:
            self._hear_sensor(facts["sensor"]["angle"])
        self.board.refresh_input = self.wiring.refresh_input
        self.person = Person(
            self.kernel, self.gpio, self.wiring, self.machine, self.lid, Rng(seed, "operator"), facts["operator"]
        )
        self.kernel.callback_failed = self.board.print_failure
        self.gpio.handler_failed = self.board.print_failure
        self._settle(facts)
        for event in facts["events"]:
            self.kernel.at(event["t_us"], self._happens, event)

    def _sensor(self, rng: Rng, facts: "dict[str, Any]") -> Sensor:
        if facts["angle"] is None:
            return Sensor(self.kernel, self.wiring, rng, facts, self.lid)
        from angle_sensor import AngleSensor

        # A family whose sensor does more than send frames has a class of its own.
        module = __import__("format_" + facts["angle"]["family"])
        if hasattr(module, "fit"):
            module.fit(self, facts["angle"])  # what the jig has besides, to stand in for such a sensor or to read it
        kind = getattr(module, "SENSOR", AngleSensor)
        sensor: Sensor = kind(self.kernel, self.wiring, rng, facts, self.lid, _format(facts["angle"]))
        return sensor

    def _hear_sensor(self, facts: "dict[str, Any]") -> None:
        # The jig's own input on the sensor's side, where line 1 alone carries frames. Other families have more to it.
        if hasattr(__import__("format_" + facts["family"]), "listen"):
            return
        from sensor_line import SensorLine

        line = SensorLine(self.kernel, self.wiring, self.sensor, 0)
        self.gpio.live[g.SNS_S[0]] = line.sensed
        self.pio.lines[g.SNS_S[0]] = line
        self.wiring.pio = self.pio

    def _listen(self, facts: "dict[str, Any]") -> None:
        # The controller of a machine whose sensor tells an angle. A family whose controller does more than listen to
        # one line makes its own.
        module = __import__("format_" + facts["family"])
        if hasattr(module, "listen"):
            self.machine.listen(module.listen(self, facts))
            return
        from receiver import Receiver

        line = self.line_of(0)
        self.gpio.live[g.SNS_M[0]] = line.sensed
        self.machine.listen(Receiver(self.kernel, line, _format(facts), facts))

    def line_of(self, k: int) -> "AngleLine":
        """Line k (0, 1) as a conductor that carries edges."""
        from angle_line import AngleLine

        return AngleLine(self.kernel, self.wiring, self.pio, self.sensor, k)

    def wave(self, name: str, us: int) -> "dict[str, Any]":
        """What a conductor at the machine's board carried in the last us: "1" or "2", by its input's thresholds. Times
        in cycles of 125 MHz. ValueError for another conductor, and for more than is kept.
        """
        machine = self.machine.facts
        begin_us = self.kernel.now - us
        line = self._waves.get(name)
        if line is None:
            if name not in ("1", "2"):
                there = ", ".join(sorted(set(["1", "2"] + list(self._waves))))
                raise ValueError("no conductor of that name carries edges; there are " + there)
            line = self._waves[name] = self.line_of(int(name) - 1)
        level, edges = line.edges(begin_us, machine["input_low_permille"], machine["input_high_permille"])
        return {"begin": begin_us * 125, "end": self.kernel.now * 125, "level": level, "edges": edges}

    def add_wave(self, name: str, line: "Any") -> None:
        """Another conductor that wave() tells of: has edges() as an AngleLine."""
        self._waves[name] = line

    def volts(self) -> dict[str, int]:
        """Voltages of the nodes in uV, now."""
        found = self.wiring.microvolts()
        return {NODES[k]: found[k] for k in range(len(NODES))}

    def transfer(self, address: int, data: bytes, count: int) -> "dict[str, Any]":
        """One transfer of the machine's controller. ValueError where its sensor is not on I2C."""
        ask = getattr(self.machine.receiver, "transfer", None)
        if ask is None:
            raise ValueError("this machine has no sensor on I2C")
        given = ask(address, data, count)
        return {"acknowledged": given is not None, "read": list(given or b"")}

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
        if facts["receiver"] is not None:
            self._listen(facts["receiver"])
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
            "sensor_transfers": self.sensor_bus.transfers,
            "sensor_fights": self.wiring.fights,
            "shut": self.machine.shut,
            "boots": self.board.boots,
            "solved": wiring.solved,
            "asked_unknown": self.person.unknown,
            "done": self.person.done,
            "sensor_drops": self.sensor.drops,
            "outputs": self.sensor.outputs,
            "pins": [self.gpio.given(n) for n in range(g.PINS)],
            "modes": [self.gpio.mode[n] for n in range(g.PINS)],
        }
        for k in range(len(NODES)):
            state[NODES[k]] = wiring.mv[k]
        for name in self.machine.counts:
            state[name] = self.machine.counts[name]
        return state


def _format(facts: "dict[str, Any]") -> "Any":
    """The family's own reading of its format: file format_NAME.py."""
    return __import__("format_" + facts["family"]).Format(facts)
