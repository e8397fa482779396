# Parts that only some benches need: what samples channels, what reads power monitors and the tach line, and what
# captures the levels of a real sensor's line or reads one. They are loaded and built when a request or the wiring
# record asks for them for the first time, and then stay.
#
# Service loop only; the tick goes on meanwhile. What it is to call is bound here before any of its flags is raised.
# Without the memory for it nothing of a part stays, and the jig goes on without it.
import gc
import sys

import firmware

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from firmware.capture import Capture
    from firmware.jig import Jig

_SAMPLES = ("recording", "sampler")
_SLOW = ("slow", "meters", "bus", "pulses")
_CAPTURE = ("capture",)
# By request that reads a real sensor with pins of the jig, or counts its steps: the module that carries it out.
_READERS = {"registers": "sensor_bus", "word": "sensor_word", "count": "sensor_count"}


def for_samples(jig: "Jig") -> bool:
    # True when channels can be sampled.
    if jig.sampler is not None:
        return True
    gc.collect()
    try:
        from firmware.recording import Recording
        from firmware.sampler import Sampler

        sampler = Sampler(jig.board.ticks_diff)
        recording = Recording(sampler)
    except MemoryError as error:
        forget(jig, _SAMPLES, error)
        return False
    jig.sampler = sampler
    jig.scan.record_into(recording)
    if jig.slow is not None:
        jig.slow.sampler = sampler
    gc.collect()
    return True


def for_wiring(jig: "Jig", values: dict) -> bool:
    # True when all that a wiring record has can be read.
    if jig.slow is not None or not (values["bus"] or values["tach"]):
        return True
    gc.collect()
    try:
        from firmware.meters import Meters
        from firmware.pulses import Pulses
        from firmware.slow import Slow

        meters = Meters(jig.board, jig.log, jig.tell_meter)
        slow = Slow(jig.board, jig.unheard, jig.measurement, meters, Pulses(jig.board))
    except MemoryError as error:
        forget(jig, _SLOW, error)
        return False
    slow.sampler = jig.sampler
    jig.slow = slow
    gc.collect()
    return True


def for_capture(jig: "Jig") -> "Capture | None":
    # What captures the levels of a line, or None.
    if jig.capture is None:
        gc.collect()
        try:
            from firmware.capture import Capture

            jig.capture = Capture(jig.board.listener())
        except MemoryError as error:
            forget(jig, _CAPTURE, error)
        gc.collect()
    return jig.capture


def reader(jig: "Jig", request: str) -> "Any":
    # The module for it, or None.
    name = _READERS[request]
    module = sys.modules.get("firmware." + name)
    if module is None:
        gc.collect()
        try:
            module = __import__("firmware." + name, None, None, ("perform",))
        except MemoryError as error:
            forget(jig, (name,), error)
            return None
        gc.collect()
    return module


def forget_families(jig: "Jig") -> None:
    # What records of sensors that tell an angle have loaded, but for the family in force.
    if "firmware.angle_parts" in sys.modules:
        from firmware import angle_parts

        angle_parts.forget_others(jig)


def forget(jig: "Jig", modules: tuple, error: Exception) -> None:
    # What was loaded so far is loaded anew next time; the log tells where the memory ended.
    for name in modules:
        sys.modules.pop("firmware." + name, None)
        if hasattr(firmware, name):
            delattr(firmware, name)
    gc.collect()
    jig.log_exception(error)
