# Requests about channels: one measurement, comparators, samples, and the state of the power monitors.
from firmware import parts
from firmware.jig import Jig
from shared_proto import names
from shared_proto.codec import Message


def measure(jig: Jig, message: Message) -> None:
    channel = message.fields["channel"]
    reader = jig.reader(channel)
    if channel >= len(names.CHANNELS) or reader is None or not jig.wired(channel):
        jig.session.refuse(message, names.REFUSED_RANGE, 0)
    elif jig.measure_request is not None:
        jig.session.refuse(message, names.REFUSED_BUSY)
    else:
        jig.measure_request = message
        jig.measurement.begin(message.fields["n"])
        reader.start_measure(channel)


def poll_measure(jig: Jig) -> None:
    # Answers the measurement that is finished, or that cannot be.
    request, measurement = jig.measure_request, jig.measurement
    if request is None:
        return
    channel = request.fields["channel"]
    if not measurement.wanted:
        jig.measure_request = None
        if channel < names.CH_METER_1_V:  # stopped by a fault in the tick
            jig.session.refuse(request, names.REFUSED_TRIPPED)
        else:  # the part gives no readings: `meters` tells
            jig.session.refuse(request, names.REFUSED_RANGE, 0)
    elif measurement.done():
        jig.measure_request = None
        n, total, low, high, total_sq = measurement.take()
        jig.scan.refresh()
        jig.session.answer(
            request, t_us=jig.now_us, channel=channel, n=n, total=total, low=low, high=high, total_sq=total_sq
        )


def watch(jig: Jig, message: Message) -> None:
    fields = message.fields
    channel, count = fields["channel"], fields["count"]
    thresholds = (fields["t1"], fields["t2"], fields["t3"])[:count]
    if channel >= len(names.CHANNELS) or (count and not jig.wired(channel)):
        jig.session.refuse(message, names.REFUSED_RANGE, 0)
        return
    for i in range(1, count):
        # Bands that the hysteresis would swallow are no bands.
        if thresholds[i] - thresholds[i - 1] <= fields["hysteresis"]:
            jig.session.refuse(message, names.REFUSED_RANGE, 2 + i)
            return
    reader = jig.reader(channel)
    if reader is not None:
        reader.watch(channel, thresholds, fields["hysteresis"], fields["dwell_ms"])
    jig.session.answer(message, t_us=jig.now_us)


def sample(jig: Jig, message: Message) -> None:
    # Goes on until it is told otherwise or the board restarts, whoever says hello meanwhile: a host that comes back
    # finds its series again, with a hole.
    channel, period_ms = message.fields["channel"], message.fields["period_ms"]
    if channel >= len(names.CHANNELS) or (period_ms and not jig.wired(channel)):
        jig.session.refuse(message, names.REFUSED_RANGE, 0)
        return
    if period_ms:
        period_ms = max(period_ms, names.SAMPLE_MIN_MS[channel])
        if not parts.for_samples(jig):
            jig.session.refuse(message, names.REFUSED_MEMORY)
            return
    reader = jig.reader(channel)
    if reader is not None:
        period_ms = reader.sample(channel, period_ms)
    jig.session.answer(message, t_us=jig.now_us, period_ms=period_ms)


def meters(jig: Jig, message: Message) -> None:
    if jig.slow is None:
        _answer_meters(jig, message, names.BUS_NOT_WIRED, names.METER_NONE, names.METER_NONE, 0, 0)
    else:
        state, bus = jig.slow.meters.state, jig.slow.meters.bus
        _answer_meters(jig, message, bus.state, state[0], state[1], bus.errors, bus.recoveries)


def _answer_meters(jig: Jig, message: Message, bus: int, one: int, two: int, errors: int, recoveries: int) -> None:
    jig.session.answer(
        message, t_us=jig.now_us, bus=bus, meter_1=one, meter_2=two, errors=errors, recoveries=recoveries
    )
