"""Transfer function of a sensor that tells an angle: lid angle -> position in its span, and back.

The jig sends what the profile says, the imperfections included: a machine that was built for a crooked sensor must
not be shown a straight one.
"""

from __future__ import annotations

import itertools
from typing import Annotated, Literal

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta

from lidjig.errors import BadInput
from shared_proto import family_blobs

Floats = npt.NDArray[np.float64]

# What an output does where the sensor has no angle to tell.
Outside = Literal["hold", "low", "high", "error"]

SPAN_MIN_DEG = 18.0  # ams AS5600 datasheet v1-06, p.25: the narrowest range that can be programmed
FULL_TURN_DEG = 360.0
ERROR_STEP_DEG = 10.0  # the board keeps the error of the angle at every tenth degree
ERROR_MAX_DEG = 30.0
NOISE_MAX_DEG = 5.0


class Transfer(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The [transfer] table. zero_deg: lid angle at the start of the span; direction: "up" = the output grows as the lid
    opens; wrap: past the end of a full turn the output begins anew. lag_ms: time constant of the sensor's filter.
    noise_deg: rms. error_deg: rows of [lid angle, error of the angle told], ascending, linear between them.
    """

    zero_deg: Annotated[float, Meta(ge=0.0, lt=360.0)] = 0.0
    span_deg: float = FULL_TURN_DEG  # its bounds: check_transfer
    direction: Literal["up", "down"] = "up"
    wrap: bool = False
    hysteresis_deg: Annotated[float, Meta(ge=0.0, le=10.0)] = 0.0
    lag_ms: Annotated[float, Meta(ge=0.0, le=1000.0)] = 0.0
    noise_deg: Annotated[float, Meta(ge=0.0, le=NOISE_MAX_DEG)] = 0.0
    error_deg: Annotated[list[tuple[float, float]], Meta(max_length=37)] = []
    below: Outside = "hold"
    above: Outside = "hold"
    power_up: Outside = "hold"
    internal_error: Outside = "error"

    def error_at(self, lid_deg: Floats | float) -> Floats:
        """Error of the angle told at lid angles in deg, in deg, at the steps that the board keeps."""
        grid = np.arange(0.0, FULL_TURN_DEG + ERROR_STEP_DEG, ERROR_STEP_DEG)
        return np.asarray(np.interp(lid_deg, grid, self.board_errors_deg()), dtype=np.float64)

    def board_errors_deg(self) -> Floats:
        """The error at 0, 10, .. 360 deg, (37,): the ends of the table hold beyond it."""
        grid = np.arange(0.0, FULL_TURN_DEG + ERROR_STEP_DEG, ERROR_STEP_DEG)
        if not self.error_deg:
            return np.zeros(len(grid))
        table = np.array(self.error_deg, dtype=np.float64)
        return np.asarray(np.interp(grid, table[:, 0], table[:, 1]), dtype=np.float64)

    def board_fields(self) -> dict[str, int]:
        """Its fields of the board's record (shared_proto.family_blobs)."""
        values = {
            "zero_mdeg": round(1000.0 * self.zero_deg),
            "span_mdeg": round(1000.0 * self.span_deg),
            "down": int(self.direction == "down"),
            "wrap": int(self.wrap),
            "hysteresis_mdeg": round(1000.0 * self.hysteresis_deg),
            "lag_us": round(1000.0 * self.lag_ms),
            "noise_mdeg": round(1000.0 * self.noise_deg),
        }
        for key in ("below", "above", "power_up", "internal_error"):
            values[key] = family_blobs.OUTSIDE.index(getattr(self, key))
        for place, error in enumerate(self.board_errors_deg()):
            values[f"error_{place}_mdeg"] = round(1000.0 * float(error))
        return values

    def part(self, lid_deg: Floats | float) -> Floats:
        """Position in the span at lid angles in deg: 0..1, and beyond outside a span that does not wrap."""
        lid = np.asarray(lid_deg, dtype=np.float64)
        along = (lid + self.error_at(lid) - self.zero_deg) / self.span_deg
        if self.direction == "down":
            along = 1.0 - along
        return np.asarray(np.mod(along, 1.0) if self.wrap else along, dtype=np.float64)

    def lid_deg(self, part: Floats | float) -> Floats:
        """Lid angle in deg that a position in the span stands for, taken for free of error."""
        along = np.asarray(part, dtype=np.float64)
        if self.direction == "down":
            along = 1.0 - along
        lid = np.asarray(self.zero_deg + along * self.span_deg)
        return np.asarray(np.mod(lid, FULL_TURN_DEG) if self.wrap else lid, dtype=np.float64)

    def lid_of(self, part: float, near_deg: float) -> float:
        """Lid angle in deg that a real sensor of this profile tells by a position in the span, its error taken out. Of
        a span that wraps, the one within half a turn of near_deg.
        """
        grid = np.arange(0.0, FULL_TURN_DEG + ERROR_STEP_DEG, ERROR_STEP_DEG)
        errors = self.board_errors_deg()
        ideal = self.zero_deg + (1.0 - part if self.direction == "down" else part) * self.span_deg
        turns = np.array([-FULL_TURN_DEG, 0.0, FULL_TURN_DEG])
        told = ideal % FULL_TURN_DEG + turns if self.wrap else np.array([ideal])
        # An error never falls faster than the angle grows (check_transfer), so each angle told is told once; beyond
        # the ends of the table the error holds.
        lid = np.interp(told, grid + errors, grid)
        lid = np.where(told < errors[0], told - errors[0], lid)
        lid = np.where(told > grid[-1] + errors[-1], told - errors[-1], lid)
        return float(lid[np.argmin(np.abs(lid - near_deg))])

    def lsb_deg(self, codes: int) -> float:
        """Resolution of a format with so many codes, in deg."""
        return self.span_deg / (codes if self.wrap else codes - 1)


def check_transfer(transfer: Transfer, file: str) -> None:
    """What a type cannot say. Raises BadInput."""
    if not SPAN_MIN_DEG <= transfer.span_deg <= FULL_TURN_DEG:  # so that what is no number is refused as well
        accepted = (
            f"a number {SPAN_MIN_DEG:g}..{FULL_TURN_DEG:g}: the codes spread over it, so a span of 0 has no slope; an "
            "output that falls as the lid opens has direction = 'down', not a span below 0; no part is programmed "
            f"narrower than {SPAN_MIN_DEG:g}, and a turn is all there is"
        )
        raise BadInput(file, "transfer.span_deg", transfer.span_deg, accepted)
    if transfer.wrap and transfer.span_deg != FULL_TURN_DEG:
        raise BadInput(file, "transfer.span_deg", transfer.span_deg, "360 where transfer.wrap = true")
    if not transfer.wrap and transfer.zero_deg + transfer.span_deg > FULL_TURN_DEG:
        accepted = f"at most {FULL_TURN_DEG - transfer.zero_deg:g}: from transfer.zero_deg up to 360 deg"
        raise BadInput(file, "transfer.span_deg", transfer.span_deg, accepted)
    for index, (lid_deg, error) in enumerate(transfer.error_deg):
        if not 0.0 <= lid_deg <= FULL_TURN_DEG:
            raise BadInput(file, f"transfer.error_deg[{index}]", lid_deg, "a lid angle of 0..360 deg")
        if abs(error) > ERROR_MAX_DEG:
            raise BadInput(file, f"transfer.error_deg[{index}]", error, f"an error of up to {ERROR_MAX_DEG:g} deg")
    for index, (before, after) in enumerate(itertools.pairwise(transfer.error_deg)):
        if after[0] <= before[0]:
            raise BadInput(file, f"transfer.error_deg[{index + 1}]", after[0], f"above {before[0]:g}, the angle before")
    slopes = np.diff(transfer.board_errors_deg()) / ERROR_STEP_DEG
    if slopes.size and float(slopes.min()) <= -1.0:
        at = float(np.argmin(slopes)) * ERROR_STEP_DEG
        accepted = f"an error that falls by less than the angle grows: past {at:g} deg the output would turn back"
        raise BadInput(file, "transfer.error_deg", float(slopes.min()), accepted)
