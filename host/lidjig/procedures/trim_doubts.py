"""What a run says of the trim of the output that it used: nothing, where there is no doubt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from lidjig.bench.sensor import SensorProfile
from lidjig.bench.trim import Trim, crc_of_record, doubts, from_record
from lidjig.bench.trim_pair import TrimPair, absent, pair_from_record
from lidjig.errors import BadInput
from lidjig.jig import Jig
from shared_proto import family_blobs, names

SUPPLY_GONE_V = 1.0  # below this nothing that could be called a supply is there


@dataclass(frozen=True)
class TrimKept:
    """What the board holds: a trim, one of two outputs, none, or (unread) a record that this lidjig cannot read."""

    trim: Trim | None
    unread: bool = False
    pair: TrimPair | None = None

    def doubts(self, sensor: SensorProfile, supply_v: float | None) -> list[str]:
        """Why it may not be relied on with this profile, a sentence each. supply_v: as measured, None = not known."""
        if self.unread:
            return ["the board holds a trim that this lidjig cannot read; run 'lidjig trim' again"]
        known = supply_v is not None and supply_v >= SUPPLY_GONE_V
        supply_mv = 1000.0 * supply_v if known and supply_v is not None else None
        crc, now = crc_of_record(sensor.to_blob()), datetime.now(UTC)
        if self.pair is not None and (self.pair.outputs or sensor.family == "sincos"):
            return self.pair.doubts(crc, supply_mv, now)
        if self.trim is None and sensor.family == "sincos":
            return absent()
        return doubts(self.trim, crc, supply_mv, now)

    def holds(self, signal: str) -> bool:
        """Whether there is a trim, of one of two outputs where signal says which. One that cannot be read is one."""
        if self.unread or self.pair is None:
            return self.unread or self.trim is not None
        return signal in self.pair.outputs

    def output(self, signal: str, profile_crc: int) -> Trim | None:
        """The trim of one of two outputs, where it is of this profile."""
        pair = self.pair
        return pair.outputs.get(signal) if pair is not None and pair.profile_crc == profile_crc else None


def kept(jig: Jig) -> TrimKept:
    """What the board holds now."""
    data = jig.read_blob(names.BLOB_TRIM)
    if not data:
        return TrimKept(None)
    try:
        if data[0] == family_blobs.TRIM_PAIR_VERSION:
            return TrimKept(None, pair=pair_from_record(data))
        return TrimKept(from_record(data))
    except BadInput:
        return TrimKept(None, unread=True)
