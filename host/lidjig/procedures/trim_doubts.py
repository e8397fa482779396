"""What a run says of the trim of the output that it used: nothing, where there is no doubt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from lidjig.bench.sensor import SensorProfile
from lidjig.bench.trim import Trim, crc_of_record, doubts, from_record
from lidjig.errors import BadInput
from lidjig.jig import Jig
from shared_proto import names

SUPPLY_GONE_V = 1.0  # below this nothing that could be called a supply is there


@dataclass(frozen=True)
class TrimKept:
    """What the board holds: a trim, none, or (unread) a record that this lidjig cannot read."""

    trim: Trim | None
    unread: bool = False

    def doubts(self, sensor: SensorProfile, supply_v: float | None) -> list[str]:
        """Why it may not be relied on with this profile, a sentence each. supply_v: as measured, None = not known."""
        if self.unread:
            return ["the board holds a trim that this lidjig cannot read; run 'lidjig trim' again"]
        known = supply_v is not None and supply_v >= SUPPLY_GONE_V
        supply_mv = 1000.0 * supply_v if known and supply_v is not None else None
        return doubts(self.trim, crc_of_record(sensor.to_blob()), supply_mv, datetime.now(UTC))


def kept(jig: Jig) -> TrimKept:
    """What the board holds now."""
    data = jig.read_blob(names.BLOB_TRIM)
    if not data:
        return TrimKept(None)
    try:
        return TrimKept(from_record(data))
    except BadInput:
        return TrimKept(None, unread=True)
