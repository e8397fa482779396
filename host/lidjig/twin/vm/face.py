"""What can be seen of the machine from outside: its signals, the light of its screen, the supply current it draws.

The machine says in which state it is; its habits (habits.py) change what that looks like. Each change is put on the
converter's channels, on the digital observers that are wired, and into the power monitor of the charger supply.
"""

import gpio as g

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from gpio import Gpio
    from ina226 import Ina226
    from wiring import Wiring

# Signals that a digital observer can be wired to.
SIGNAL_NONE = 0
SIGNAL_SLP_S3 = 1
SIGNAL_SLP_S4 = 2
SIGNAL_BACKLIGHT = 3
SIGNAL_TACH = 4
SIGNALS = 5

CONTRACT_MV = 18000  # above this the charger has agreed on its higher level
_CHARGER_FULL_MV = 36300
_CURRENT_FULL_UA = 3300000
_CURRENT_MAX_UA = 3250000  # the source gives no more

_CHARGER_V_AT = g.CH_MUX_FIRST + 5
_CHARGER_I_AT = g.CH_MUX_FIRST + 6


class Face:
    """facts: see lidjig.twin.facts, "face". meter: of the charger supply, or None."""

    def __init__(self, gpio: "Gpio", wiring: "Wiring", meter: "Ina226 | None", facts: "dict[str, Any]") -> None:
        self.gpio = gpio
        self.wiring = wiring
        self.meter = meter
        self.levels = [0, 0, 0, 0]  # of the digital observers, read by the wiring
        self.charger_mv = 0
        self.charger_ua = 0
        # set by the habits
        self.dark = False  # the screen is off although the machine works
        self.dim_percent = 100
        self.less_ua = 0  # load that a dark or dimmed screen saves
        self.glow_permille = 0  # the power light, as the light sensor sees it
        self.burst_ua = 0  # background work of a sleeping machine
        self.charge_ua = 0  # into the battery
        self.drift_ua = 0
        self.drift_light = 0  # raw
        self._wired: list[int] = facts["observers"]
        self._taps: int = facts["charger_taps"]
        self._share_percent: int = facts["battery_share_percent"]
        self._offset_ua: int = facts["battery_offset_ua"]
        self._signals = [0] * SIGNALS
        self._light: dict[str, int] = facts["nothing"]
        self._current: dict[str, int] = facts["nothing"]

    # signals

    def show_slp(self, sign: dict[str, int], powered: bool) -> None:
        """SLP_S3# and SLP_S4#; both low without supply."""
        self._signals[SIGNAL_SLP_S3] = sign["slp3"] if powered else 0
        self._signals[SIGNAL_SLP_S4] = sign["slp4"] if powered else 0
        self._put_signals()

    def show_tach(self, level: int) -> None:
        self._signals[SIGNAL_TACH] = level
        self._put_signals()

    def _put_signals(self) -> None:
        for k in range(4):
            self.levels[k] = self._signals[self._wired[k]]
        self.wiring.observers()

    # light

    def show_light(self, sign: dict[str, int]) -> None:
        self._light = sign
        self.put_light()

    def put_light(self) -> None:
        """Again, after one of the habits changed."""
        sign = self._light
        percent = 0 if self.dark else self.dim_percent
        permille = sign["light_permille"] * percent // 100
        raw = min(1000, permille + self.glow_permille) * 65535 // 1000 + self.drift_light
        gpio = self.gpio
        gpio.base[g.CH_LIGHT] = max(0, min(65535, raw))
        gpio.gain[g.CH_LIGHT] = 1 + sign["light_noise"] * percent // 100
        backlight = 1 if permille else 0
        if backlight != self._signals[SIGNAL_BACKLIGHT]:
            self._signals[SIGNAL_BACKLIGHT] = backlight
            self._put_signals()

    # charger supply

    def show_charger(self, mv: int) -> None:
        self.charger_mv = mv
        if self._taps:
            self.gpio.base[_CHARGER_V_AT] = min(65535, mv * 65535 // _CHARGER_FULL_MV)
        self.put_current()

    def show_current(self, sign: dict[str, int]) -> None:
        self._current = sign
        self.put_current()

    def put_current(self) -> None:
        """Again, after one of the habits changed."""
        sign = self._current
        ua = noise = ripple_ua = 0
        if self.charger_mv:
            load_ua = max(0, sign["current_ua"] + self.burst_ua + self.drift_ua - self.less_ua)
            ua = load_ua * (100 - self._share_percent) // 100 + self._offset_ua
            if self.charger_mv >= CONTRACT_MV:
                ua += self.charge_ua
            ua = min(ua, _CURRENT_MAX_UA)
            noise, ripple_ua = sign["current_noise"], sign["ripple_ua"]
        self.charger_ua = ua
        if self._taps:
            # Below nothing, where the converter ends as well as the tap's amplifier, the reading is 0.
            self.gpio.base[_CHARGER_I_AT] = ua * 65535 // _CURRENT_FULL_UA
            self.gpio.gain[_CHARGER_I_AT] = noise or 1
        if self.meter is not None:
            self.meter.feed(ua, self.charger_mv, ripple_ua)
