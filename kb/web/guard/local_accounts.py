"""Which account of this machine a connection on loopback comes from.

Linux lists the sockets of all accounts with their owners in `/proc/net/tcp` and `tcp6` (proc(5)). The other end
of a connection on loopback is a line there as well: the one whose local address is the caller's.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from typing import Literal

from kb import system

_PROC = Path("/proc/net")
# The list may skip a line while others come and go.
_LOOKS = 3
_NO_PEOPLE = frozenset({"public", "default", "default user", "all users", "shared"})

# "gone": the caller has closed its end, so nobody reads an answer. "unknown": there is no line of it, as with a
# caller outside a container, or no list.
Owner = Literal["ours", "another", "gone", "unknown"]
Address = tuple[str, int]
# Where the answer stands in the state of a request.
STATE = "neighbour"


def owner_of(caller: Address, here: Address, proc: Path = _PROC) -> Owner:
    """Whose the other end of a connection is; `here` is our end."""
    own = system.own_accounts()
    for _ in range(_LOOKS if own else 0):
        content = _lists(proc)
        if not content:
            return "unknown"
        line = _line(content, caller, here)
        if line is not None:
            uid, inode = int(line[7]), int(line[9])
            # A socket that its program has closed is nobody's, and is listed as root's.
            return "gone" if inode == 0 else "ours" if uid in own else "another"
        if _line(content, here, caller) is not None:
            return "unknown"
    return "gone" if own else "unknown"


def _lists(proc: Path) -> bytes:
    found = b""
    for name in ("tcp", "tcp6"):
        try:
            found += (proc / name).read_bytes()
        except OSError:
            continue
    return found


def _line(content: bytes, local: Address, remote: Address) -> list[bytes] | None:
    """The columns of the line of one end, None where there is none."""
    for from_, to in zip(_written(local), _written(remote), strict=True):
        at = content.find(b" " + from_ + b" " + to + b" ") if from_ and to else -1
        if at >= 0:
            start = content.rfind(b"\n", 0, at) + 1
            return content[start : content.find(b"\n", at)].split()
    return None


def _written(address: Address) -> tuple[bytes, bytes]:
    """An address as the lists write it: (in that of IPv4, in that of IPv6), b"" where it is in none."""
    host, port = address
    try:
        if ":" not in host:
            word = socket.inet_aton(host)
            mapped = bytes(10) + b"\xff\xff" + word
            return _hex(word, port), _hex(mapped, port)
        whole = socket.inet_pton(socket.AF_INET6, host.partition("%")[0])
    except OSError:
        return b"", b""
    four = _hex(whole[12:], port) if whole[:12] == bytes(10) + b"\xff\xff" else b""
    return four, _hex(whole, port)


def _hex(packed: bytes, port: int) -> bytes:
    """Words of four bytes in the machine's own order, and the port."""
    words = struct.unpack(f"={len(packed) // 4}I", packed)
    return b"".join(b"%08X" % word for word in words) + b":%04X" % port


def can_be_known(proc: Path = _PROC) -> bool:
    """Whether this machine tells whose a connection is, tried with one of our own."""
    if not system.own_accounts():
        return False
    try:
        with (
            closing(socket.create_server(("127.0.0.1", 0))) as listener,
            closing(socket.create_connection(listener.getsockname())) as caller,
        ):
            return owner_of(caller.getsockname(), caller.getpeername(), proc) == "ours"
    except OSError:
        return False


def has_several_accounts() -> bool:
    """Whether more than one person has an account on this machine, as far as it says."""
    people = system.people()
    if people is not None:
        return people > 1
    return len(_homes(Path.home().parent)) > 1


def _homes(folder: Path) -> list[str]:
    try:
        names: Iterable[str] = [path.name for path in folder.iterdir() if path.is_dir()]
    except OSError:
        return []
    return [name for name in names if name.lower() not in _NO_PEOPLE and not name.startswith(".")]
