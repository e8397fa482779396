"""What is kept on flash: replaced whole or not at all, wherever the power goes."""

import fake_board

OLD = b"the old record"
NEW = b"the new record, somewhat longer than the old one"


class PowerCut(BaseException):
    """Not an Exception: nothing in the firmware sees a power cut coming."""


class CutFiles:
    """Files in memory. Every byte written and every other change of the flash costs one; at zero the power goes."""

    def __init__(self, kept):
        self.kept = kept
        self.left = 1 << 30

    def _spend(self):
        if self.left == 0:
            raise PowerCut()
        self.left -= 1

    def make_folder(self, path):
        pass

    def read(self, path):
        return self.kept.get(path)

    def write(self, path, data):
        self._spend()
        self.kept[path] = b""
        for n in range(len(data)):
            self._spend()
            self.kept[path] = data[: n + 1]

    def rename(self, old, new):
        # One step, as littlefs and POSIX rename() promise.
        self._spend()
        if old not in self.kept:
            raise OSError(2)
        self.kept[new] = self.kept.pop(old)

    def remove(self, path):
        if path in self.kept:
            self._spend()
            del self.kept[path]


def check_power_cut_at_every_byte(folder):
    from firmware.store import Store

    seen = set()
    budget = 0
    while True:
        flash = {}
        assert Store("/kept", CutFiles(flash)).save("profile", OLD)
        files = CutFiles(flash)
        files.left = budget
        try:
            done = Store("/kept", files).save("profile", NEW)
        except PowerCut:
            done = False
        after = Store("/kept", CutFiles(flash)).load("profile")
        assert after in (OLD, NEW), (budget, after)
        if done:
            assert after == NEW
            break
        seen.add(after)
        assert Store("/kept", CutFiles(flash)).save("profile", NEW)  # and the next attempt works
        assert sorted(flash) == ["/kept/profile"]
        budget += 1
    # creating the file, its bytes with the CRC, the rename
    assert budget == 1 + len(NEW) + 4 + 1, budget
    assert seen == {OLD}


def check_first_record_cut(folder):
    from firmware.store import Store

    for budget in range(len(NEW) + 6):
        flash = {}
        files = CutFiles(flash)
        files.left = budget
        try:
            Store("/kept", files).save("profile", NEW)
        except PowerCut:
            pass
        assert Store("/kept", CutFiles(flash)).load("profile") is None


def check_half_written_file_on_a_real_file_system(folder):
    from firmware.store import Store

    store = Store(folder)
    assert store.save("profile", OLD) and store.load("profile") == OLD
    assert store.save("profile", NEW) and store.save("profile", OLD)
    for length in range(len(NEW) + 1):
        with open(folder + "/profile.new", "wb") as file:
            file.write(NEW[:length])
        again = Store(folder)
        assert again.load("profile") == OLD
        assert again.save("profile", OLD)


def check_damage_is_noticed(folder):
    # Any single byte changed, and any length cut off: no record rather than a wrong one.
    from firmware.store import Store

    store = Store(folder)
    assert store.save("profile", NEW)
    with open(folder + "/profile", "rb") as file:
        whole = file.read()
    for n in range(len(whole)):
        with open(folder + "/profile", "wb") as file:
            file.write(whole[:n] + bytes([whole[n] ^ 0x40]) + whole[n + 1 :])
        assert store.load("profile") is None
        with open(folder + "/profile", "wb") as file:
            file.write(whole[:n])
        assert store.load("profile") is None


class FullFiles(CutFiles):
    """A flash that takes no more, or gives back something else than was written."""

    fault = ""

    def write(self, path, data):
        if self.fault == "full":
            self.kept[path] = data[:3]
            raise OSError(28)
        CutFiles.write(self, path, data if self.fault != "forgetful" else b"\x00" + data[1:])

    def rename(self, old, new):
        if self.fault == "rename":
            raise OSError(5)
        CutFiles.rename(self, old, new)


def check_flash_that_fails(folder):
    from firmware.store import Store

    for fault in ("full", "forgetful", "rename"):
        flash = {}
        files = FullFiles(flash)
        store = Store("/kept", files)
        assert store.save("profile", OLD)
        files.fault = fault
        assert not store.save("profile", NEW)
        assert store.load("profile") == OLD and sorted(flash) == ["/kept/profile"]
        store.note("leave") if fault != "rename" else None


def check_refused_when_the_flash_fails(folder):
    from shared_proto import names

    jig, _service, host = fake_board.start(folder)
    host.hello()
    data = fake_board.profile()
    host.load(1, data)
    files = FullFiles({})
    files.fault = "full"
    jig.store._files = files
    answer = host.load(1, fake_board.profile(name=b"other"))
    assert answer.fields["reason"] == names.REFUSED_STORAGE
    assert host.ok("blob_read", kind=1, offset=0)["data"] == data  # the old one stays in force


def check_profile_file_that_no_longer_parses(folder):
    # A sound file with contents of another version: told in the log, and no profile is in force.
    import struct

    from firmware.store import Store

    from shared_proto import names

    Store(folder).save("profile", b"\x09" + fake_board.profile()[1:])
    jig, _service, host = fake_board.start(folder)
    host.hello()
    assert host.ok("status")["profile_crc"] == 0
    entries = host.ok("log_read", start=0)["entries"]
    codes = [struct.unpack_from("<QHHI", entries, at)[1] for at in range(0, len(entries), 16)]
    assert names.LOG_BLOB_BAD in codes


def check_boot_ids_differ(folder):
    from firmware.jig import Jig  # noqa: F401  imported before the clock starts again

    seen = set()
    for _ in range(20):
        fake_board.bench.reset()
        jig, _service, _host = fake_board.start(folder)
        seen.add(jig.boot_id)
    assert len(seen) == 20


fake_board.checks(globals())
