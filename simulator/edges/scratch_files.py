"""Scratch folders in memory, served by FUSE, so that the times of their files are the model's.

An ordinary file system of one user, for whatever scripts leave lying about: folders, files, links, pipes.
Answered by its own thread at once: it knows of the model no more than what time it is.
"""

from __future__ import annotations

import errno
import os
import stat
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from .fuse_mount import Mount, Operations

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

# What all files together may hold, in bytes; a script that writes for ever must not fill the memory.
CAPACITY: Final = 256 << 20
_BLOCK: Final = 4096
_FOR_EVER_S: Final = 10**6
# utimensat(2), as libfuse hands them on: the time of now, and no change.
_NOW, _OMIT = 0x3FFFFFFF, 0x3FFFFFFE
# chown(2): -1, and as it looks without a sign.
_UNCHANGED: Final = (-1, 0xFFFFFFFF)
# linux/fs.h, for renameat2(2).
_NO_REPLACE, _EXCHANGE = 1, 2
# libfuse renames what is removed while it is open.
_HIDDEN: Final = ".fuse_hidden"


@dataclass(slots=True)
class Node:
    """One file, folder or link."""

    mode: int
    times: dict[str, int]
    uid: int = 0
    gid: int = 0
    links: int = 1
    handles: int = 0
    device: int = 0
    data: bytearray = field(default_factory=bytearray)
    names: dict[str, Node] = field(default_factory=dict)
    target: str = ""

    @property
    def is_folder(self) -> bool:
        """Whether it has names in it."""
        return stat.S_ISDIR(self.mode)


def _fault(number: int) -> OSError:
    return OSError(number, os.strerror(number))


class ScratchOperations(Operations):
    """What mfusepy calls.  *now_ns* is the wall clock's time for whoever looks at a file."""

    use_ns = True

    def __init__(self, now_ns: Callable[[], int], *, on_up: Callable[[], None]) -> None:
        self.now_ns = now_ns
        self._on_up = on_up
        self._used = 0
        # What is open, by handle: a file whose folder has been removed has no path any more.
        self._open: dict[int, Node] = {}
        self._last_handle = 0
        self.root = self._made(stat.S_IFDIR | 0o755)

    def init(self, path: str) -> None:
        """The mount is there."""
        del path
        self._on_up()

    # -- finding ---------------------------------------------------------------------

    def _made(self, mode: int) -> Node:
        now_ns = self.now_ns()
        times = dict.fromkeys(("st_atime", "st_mtime", "st_ctime"), now_ns)
        return Node(mode, times, uid=os.getuid(), gid=os.getgid())

    def node(self, path: str | None) -> Node:
        """What is at *path*, which libfuse has none for once the folder is gone; raises OSError."""
        if path is None:
            raise _fault(errno.ENOENT)
        node = self.root
        for name in path.split("/"):
            if not name:
                continue
            if not node.is_folder:
                raise _fault(errno.ENOTDIR)
            found = node.names.get(name)
            if found is None:
                raise _fault(errno.ENOENT)
            node = found
        return node

    def _behind(self, path: str | None, fh: int | None) -> Node:
        """What is open as *fh*, else what is at *path*; raises OSError."""
        return self._open.get(fh or 0) or self.node(path)

    def _parent(self, path: str) -> tuple[Node, str]:
        folder, _, name = path.rpartition("/")
        parent = self.node(folder)
        if not parent.is_folder:
            raise _fault(errno.ENOTDIR)
        return parent, name

    def add(self, path: str, mode: int) -> Node:
        """Something new at *path*; raises OSError."""
        parent, name = self._parent(path)
        if name in parent.names:
            raise _fault(errno.EEXIST)
        node = parent.names[name] = self._made(mode)
        self._touched(parent)
        return node

    def _touched(self, node: Node) -> None:
        node.times["st_mtime"] = node.times["st_ctime"] = self.now_ns()

    def _changed(self, node: Node) -> None:
        node.times["st_ctime"] = self.now_ns()

    # -- what there is ---------------------------------------------------------------

    def getattr(self, path: str | None, fh: int | None = None) -> dict[str, int]:
        node = self._behind(path, fh)
        size = len(node.target) if node.target else len(node.data)
        return {
            "st_mode": node.mode,
            "st_nlink": 2 if node.is_folder else node.links,
            "st_uid": node.uid,
            "st_gid": node.gid,
            "st_size": size,
            "st_blocks": -(-size // 512),
            "st_rdev": node.device,
            **node.times,
        }

    def readdir(self, path: str | None, fh: int) -> list[str]:
        del fh
        return [".", "..", *(name for name in self.node(path).names if not name.startswith(_HIDDEN))]

    def readlink(self, path: str) -> str:
        return self.node(path).target

    def statfs(self, path: str) -> dict[str, int]:
        super().statfs(path)
        free = (CAPACITY - self._used) // _BLOCK
        return {
            "f_bsize": _BLOCK,
            "f_frsize": _BLOCK,
            "f_blocks": CAPACITY // _BLOCK,
            "f_bfree": free,
            "f_bavail": free,
            "f_files": 1 << 20,
            "f_ffree": 1 << 19,
            "f_namemax": 255,
        }

    # -- contents --------------------------------------------------------------------

    def open(self, path: str, flags: int) -> int:
        node = self.node(path)
        if flags & os.O_TRUNC:
            self._resize(node, 0)
        return self._opened(node)

    def create(self, path: str, mode: int) -> int:
        return self._opened(self.add(path, stat.S_IFREG | mode & 0o7777))

    def _opened(self, node: Node) -> int:
        self._last_handle += 1
        self._open[self._last_handle] = node
        node.handles += 1
        return self._last_handle

    def release(self, path: str | None, fh: int) -> int:
        del path
        node = self._open.pop(fh)
        node.handles -= 1
        self._free_if_gone(node)
        return 0

    def read(self, path: str | None, size: int, offset: int, fh: int) -> bytes:
        return bytes(self._behind(path, fh).data[offset : offset + size])

    def write(self, path: str | None, data: bytes, offset: int, fh: int) -> int:
        node = self._behind(path, fh)
        if offset + len(data) > len(node.data):
            self._resize(node, offset + len(data))
        node.data[offset : offset + len(data)] = data
        self._touched(node)
        return len(data)

    def truncate(self, path: str | None, length: int, fh: int | None = None) -> int:
        self._resize(self._behind(path, fh), length)
        return 0

    def _resize(self, node: Node, length: int) -> None:
        more = length - len(node.data)
        if self._used + more > CAPACITY:
            raise _fault(errno.ENOSPC)
        self._used += more
        if more > 0:
            node.data.extend(bytes(more))
        else:
            del node.data[length:]
        self._touched(node)

    # -- names -----------------------------------------------------------------------

    def mkdir(self, path: str, mode: int) -> int:
        self.add(path, stat.S_IFDIR | mode & 0o7777)
        return 0

    def mknod(self, path: str, mode: int, dev: int) -> int:
        self.add(path, mode).device = dev
        return 0

    def symlink(self, target: str, source: str) -> int:
        """*target* is the link's own path here, *source* where it points."""
        self.add(target, stat.S_IFLNK | 0o777).target = source
        return 0

    def link(self, target: str, source: str) -> int:
        """*target* is the new name, *source* the one that there is."""
        node = self.node(source)
        parent, name = self._parent(target)
        if name in parent.names:
            raise _fault(errno.EEXIST)
        parent.names[name] = node
        node.links += 1
        self._touched(parent)
        self._changed(node)
        return 0

    def unlink(self, path: str) -> int:
        parent, name = self._parent(path)
        self._drop(self.node(path))
        del parent.names[name]
        self._touched(parent)
        return 0

    def _drop(self, node: Node) -> None:
        node.links -= 1
        self._changed(node)
        self._free_if_gone(node)

    def _free_if_gone(self, node: Node) -> None:
        """Nobody can come to what has neither a name nor a handle any more."""
        if not (node.links or node.handles):
            self._used -= len(node.data)

    def rmdir(self, path: str) -> int:
        parent, name = self._parent(path)
        node = self.node(path)
        if not node.is_folder:
            raise _fault(errno.ENOTDIR)
        self._empty(node)
        del parent.names[name]
        self._touched(parent)
        return 0

    def _empty(self, folder: Node) -> None:
        """The folder goes, and with it the names of files that are only open; raises OSError."""
        if any(not name.startswith(_HIDDEN) for name in folder.names):
            raise _fault(errno.ENOTEMPTY)
        for node in folder.names.values():
            self._drop(node)
        folder.names.clear()

    def rename(self, old: str, new: str, flags: int = 0) -> int:
        """The kernel has seen to RENAME_NOREPLACE (rename(2))."""
        if flags & ~(_NO_REPLACE | _EXCHANGE):
            raise _fault(errno.EINVAL)
        (old_parent, old_name), (new_parent, new_name) = self._parent(old), self._parent(new)
        node, former = self.node(old), new_parent.names.get(new_name)
        if former is node:
            return 0
        if flags & _EXCHANGE:
            old_parent.names[old_name] = former = self.node(new)
            self._changed(former)
        else:
            if former is not None:
                self._empty(former)
                self._drop(former)
            del old_parent.names[old_name]
        new_parent.names[new_name] = node
        for parent in (old_parent, new_parent):
            self._touched(parent)
        self._changed(node)
        return 0

    # -- what is written on them --------------------------------------------------------

    def chmod(self, path: str | None, mode: int) -> int:
        node = self.node(path)
        node.mode = stat.S_IFMT(node.mode) | mode & 0o7777
        self._changed(node)
        return 0

    def chown(self, path: str | None, uid: int, gid: int) -> int:
        node = self.node(path)
        if uid not in _UNCHANGED:
            node.uid = uid
        if gid not in _UNCHANGED:
            node.gid = gid
        self._changed(node)
        return 0

    def utimens(self, path: str | None, times: Iterable[int] | None = None) -> int:
        node = self.node(path)
        for name, value in zip(("st_atime", "st_mtime"), times or (_NOW, _NOW), strict=True):
            if value != _OMIT:
                node.times[name] = self.now_ns() if value == _NOW else value
        self._changed(node)
        return 0

    def access(self, path: str, amode: int) -> int:
        del amode
        self.node(path)
        return 0

    def destroy(self, path: str) -> None:
        del path


def _rename(fuse: Any, old: bytes, new: bytes, flags: int) -> int:  # noqa: ANN401 # the library has no types
    done: int = fuse.operations.rename(
        *(path.decode(fuse.encoding, fuse.errors) for path in (old, new)), flags
    )
    return done


class ScratchFiles(Mount):
    """An empty file system at *folder*, with *folders* in it (path, mode)."""

    def __init__(
        self, folder: Path, *, now_ns: Callable[[], int], folders: Iterable[tuple[str, int]]
    ) -> None:
        self.operations = ScratchOperations(now_ns, on_up=self._on_up)
        for path, mode in folders:
            self.operations.add(path, stat.S_IFDIR | mode)
        # All changes go through this one mount, so the kernel may keep what it knows.
        self._mount(
            self.operations,
            folder,
            kernel_cache=True,
            default_permissions=True,
            attr_timeout=_FOR_EVER_S,
            entry_timeout=_FOR_EVER_S,
            negative_timeout=_FOR_EVER_S,
            fsname="scratch",
        )

    def _serve(self, operations: object, options: dict[str, object]) -> None:
        import mfusepy

        # The library gets these calls whole, and hands on neither the flags nor the handle.
        mfusepy.FUSE.rename_fuse_3 = _rename
        mfusepy.FUSE.truncate_fuse_3 = mfusepy.FUSE.ftruncate
        super()._serve(operations, options)
