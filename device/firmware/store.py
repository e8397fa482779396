# What must outlive a power cut: sensor profile, wiring, boot counter. One file each, data and then CRC-32.
#
# Atomic replace: the new file is written beside the old one, synced, read back, and renamed over it. Flash
# file systems of MicroPython boards (littlefs) rename in one step, so a cut at any byte leaves the old file
# or the new one, never a mixture; a half-written new file is thrown away at the next start.
import binascii
import os
import struct

_NEW = ".new"


class Files:
    # The few file operations that the store uses, in one place so that a test can cut the power in any of
    # them.
    def make_folder(self, path: str) -> None:
        try:
            os.mkdir(path)
        except OSError:
            pass  # there already; a folder that cannot be made shows at the first write

    def read(self, path: str) -> bytes | None:
        try:
            with open(path, "rb") as file:
                return file.read()
        except OSError:
            return None

    def write(self, path: str, data: bytes) -> None:
        with open(path, "wb") as file:
            file.write(data)
            file.flush()
        sync = getattr(os, "sync", None)
        if sync is not None:
            sync()

    def rename(self, old: str, new: str) -> None:
        # CPython on Windows renames over an existing file only by os.replace, which MicroPython lacks.
        getattr(os, "replace", os.rename)(old, new)

    def remove(self, path: str) -> None:
        try:
            os.remove(path)
        except OSError:
            pass  # was not there


class Store:
    def __init__(self, folder: str, files: Files | None = None) -> None:
        self._files = Files() if files is None else files
        self._folder = folder
        self._files.make_folder(folder)

    def _path(self, name: str) -> str:
        return self._folder + "/" + name

    def load(self, name: str) -> bytes | None:
        # The data, or None when there is no such file or its CRC is wrong.
        self._files.remove(self._path(name) + _NEW)
        return self._checked(self._path(name))

    def _checked(self, path: str) -> bytes | None:
        raw = self._files.read(path)
        if raw is None or len(raw) < 4:
            return None
        data = raw[:-4]
        if struct.unpack("<I", raw[-4:])[0] != binascii.crc32(data) & 0xFFFFFFFF:
            return None
        return data

    def save(self, name: str, data: bytes) -> bool:
        # True when the data are on flash and in force; False leaves the old file.
        path = self._path(name)
        new = path + _NEW
        try:
            self._files.write(new, data + struct.pack("<I", binascii.crc32(data) & 0xFFFFFFFF))
            if self._checked(new) != data:
                self._files.remove(new)
                return False
            self._files.rename(new, path)
        except OSError:
            self._files.remove(new)
            return False
        return self._checked(path) == data

    def note(self, name: str) -> None:
        # An empty file whose being there is the message. A full flash only loses the message.
        try:
            self._files.write(self._path(name), b"")
        except OSError:
            pass

    def take_note(self, name: str) -> bool:
        path = self._path(name)
        if self._files.read(path) is None:
            return False
        self._files.remove(path)
        return True
