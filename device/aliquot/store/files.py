"""The file system as the few calls that the store needs; the only module here that opens a file.

Every call is whole or raises OSError. On littlefs each one is atomic by itself: after a cut the
file is as before or as after, but one just made may be empty. It never interprets what it carries.
"""

import os

_NO_ENTRY = 2
_EXISTS = 17
_IO = 5


class Files:
    """The files of one folder, which is made when it is not there."""

    def __init__(self, root: str) -> None:
        self.root = root + "/"
        try:
            os.mkdir(root)
        except OSError as error:
            if error.errno != _EXISTS:
                raise

    def read(self, name: str, at: int = 0, most: int = -1) -> "bytes | None":
        """Return at most `most` bytes from byte `at` on; None when there is no such file."""
        try:
            with open(self.root + name, "rb") as file:
                if at:
                    file.seek(at)
                return file.read(most)
        except OSError as error:
            if error.errno != _NO_ENTRY:
                raise
            return None

    def append(self, name: str, data: bytes) -> None:
        """Add `data` at the end with one write, and sync; the file is made when absent."""
        self._save(name, "ab", data)

    def write(self, name: str, data: bytes) -> None:
        """Make the file anew with one write, and sync."""
        self._save(name, "wb", data)

    def _save(self, name: str, mode: str, data: bytes) -> None:
        with open(self.root + name, mode) as file:
            done = file.write(data)
            file.flush()
            if hasattr(os, "fsync"):
                os.fsync(file.fileno())
        if done != len(data):
            raise OSError(_IO)

    def rename(self, old: str, new: str) -> None:
        """Give a file another name; a file that bears it is replaced."""
        os.rename(self.root + old, self.root + new)

    def remove(self, name: str) -> None:
        os.remove(self.root + name)

    def names(self) -> list[str]:
        return os.listdir(self.root)

    def size(self, name: str) -> int:
        """Return the bytes of a file, -1 when there is none."""
        try:
            return os.stat(self.root + name)[6]
        except OSError as error:
            if error.errno != _NO_ENTRY:
                raise
            return -1
