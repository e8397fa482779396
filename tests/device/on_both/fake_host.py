"""The host at the fake board: the host's half of the session, and what it was told."""

from fake_board import bench


class Host:
    """The host's half of the session, on the bench's own clock."""

    def __init__(self, service, nonce=77):
        from shared_proto import session_host

        self._host = session_host
        self.service = service
        self.session = session_host.HostSession(nonce)
        self.result = None
        self.events = []
        self.pulses = []
        self.batches = []
        self.gaps = 0
        self.beating = True  # False: the host is silent

    def turn(self):
        now_us = bench.now_us
        if self.beating:
            self.take(self.session.poll(now_us))
            bench.rx.extend(self.session.take())
        self.service.turn()
        data = bytes(bench.tx)
        bench.tx = bytearray()
        self.take(self.session.receive(data, bench.now_us))

    def take(self, outcomes):
        for outcome in outcomes:
            if outcome.kind == self._host.EVENT:
                self.events.append(outcome.message)
                self.session.ack(outcome.message.fields["counter"])
            elif outcome.kind == self._host.BATCH:
                self.batches.append(outcome.message.fields)
            elif outcome.kind == self._host.PULSE:
                self.pulses.append(outcome.message.fields)
            elif outcome.kind == self._host.GAP:
                self.gaps += outcome.detail
            elif outcome.kind in (self._host.RESULT, self._host.REFUSAL, self._host.UNKNOWN):
                self.result = outcome

    def ask(self, name, **fields):
        """The result or refusal as a message."""
        self.result = None
        self.session.request(name, bench.now_us, **fields)
        for _ in range(2000):
            self.turn()
            if self.result is not None:
                assert self.result.kind != self._host.UNKNOWN, name + " was not answered"
                return self.result.message
        raise AssertionError("no answer to " + name)

    def hello(self):
        return self.ask("hello")

    def ok(self, name, **fields):
        answer = self.ask(name, **fields)
        assert answer.name == name + "_result", answer
        return answer.fields

    def refused(self, name, **fields):
        answer = self.ask(name, **fields)
        assert answer.name == "refusal", answer
        return answer.fields["reason"]

    def run(self, ms):
        end = bench.now_us + ms * 1000
        while bench.now_us < end:
            self.turn()

    def named(self, name):
        return [event.fields for event in self.events if event.name == name]

    def readings(self, channel):
        """[(t_us, raw)] of all batches of a channel, placed as the protocol says."""
        out = []
        for batch in self.batches:
            if batch["channel"] == channel:
                data = batch["data"]
                n = len(data) // 2
                for k in range(n):
                    t_us = batch["t_us"] + (batch["span_us"] * k // (n - 1) if n > 1 else 0)
                    out.append((t_us, data[2 * k] | data[2 * k + 1] << 8))
        return out

    def numbers(self, channel):
        return [batch["number"] for batch in self.batches if batch["channel"] == channel]

    def load(self, kind, data):
        import binascii

        for offset in range(0, len(data), 128):
            self.ok("blob_write", kind=kind, offset=offset, data=data[offset : offset + 128])
        return self.ask("blob_commit", kind=kind, length=len(data), crc=binascii.crc32(data) & 0xFFFFFFFF)
