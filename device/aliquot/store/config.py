"""The configuration file: candidate, record, rename; at a start the recorded hash decides.

A cut at any point leaves the old set-up or the new one. A file that does not fit the journal is
refused, never mended and never replaced by a default. What the text means is not looked at here.
"""

from binascii import hexlify
from hashlib import sha256

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from aliquot.store.files import Files

NAME = "setup.json"
CANDIDATE = "setup.new"
SIZE_MOST = 16384
_IO = 5
_PIECE = 1024


def hash_of(data: bytes) -> str:
    """Return the SHA-256 of a set-up's canonical text, in hexadecimal."""
    return str(hexlify(sha256(data).digest()), "ascii")


def adopt(files: "Files", data: bytes, record: "Callable[[str], None]") -> bool:
    """Make `data` the set-up; `record(hash)` must put the record that says so.

    Returns whether the file bears its name already; if not, the next start finishes that, and the
    new set-up counts all the same. Whatever `record` raises goes on: the old set-up then stays.
    ValueError: it is empty or too large. OSError: the candidate could not be written, nothing has
    changed.
    """
    if not 0 < len(data) <= SIZE_MOST:
        raise ValueError("a set-up of %d bytes; at most %d" % (len(data), SIZE_MOST))
    own = hash_of(data)
    files.write(CANDIDATE, data)
    if _hash(files, CANDIDATE) != own:
        raise OSError(_IO)
    record(own)
    try:
        files.rename(CANDIDATE, NAME)
    except OSError:
        return False
    return True


def settle(files: "Files", recorded: str) -> "tuple[str, bytes | str | None]":
    """Return what the files hold for the recorded hash, finishing what a cut left half done.

    ("ok", text) the recorded set-up; ("none", reason) there never was one; ("rejected", reason)
    what lies there is not what was recorded: no dosing until the user has decided.
    """
    if recorded:
        for name in (NAME, CANDIDATE):
            if _hash(files, name) == recorded:
                return "ok", _found(files, name)
    size = files.size(NAME)
    if not recorded and size < 0:
        return "none", "no set-up was ever adopted"
    if not recorded:
        return "rejected", "%s lies there, but no set-up was ever adopted" % NAME
    if size < 0:
        return "rejected", "%s is missing" % NAME
    if size > SIZE_MOST:
        return "rejected", "%s has %d bytes; at most %d" % (NAME, size, SIZE_MOST)
    return "rejected", "%s is not the set-up that was adopted" % NAME


def _found(files: "Files", name: str) -> "bytes | None":
    """Return the text; the candidate is renamed where it is that, cleared away where it is not."""
    data = files.read(name)
    try:
        if name == CANDIDATE:
            files.rename(CANDIDATE, NAME)
        elif files.size(CANDIDATE) >= 0:
            files.remove(CANDIDATE)
    except OSError:
        return data  # the set-up is known all the same; the next start tries again
    return data


def _hash(files: "Files", name: str) -> str:
    """Return the hash of a file, read in pieces; "" where it is unreadable or of no such size."""
    size = files.size(name)
    if not 0 < size <= SIZE_MOST:
        return ""
    digest = sha256()
    try:
        for at in range(0, size, _PIECE):
            digest.update(files.read(name, at, _PIECE) or b"")
    except OSError:
        return ""
    return str(hexlify(digest.digest()), "ascii")
