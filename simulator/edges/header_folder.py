"""The host's files as a plain folder, where FUSE cannot be used.

Writes are seen through inotify once the writer closes the file.  What a folder cannot do: return an
error to the writer (refused writes are recorded instead); refuse an opening; show links; wake whoever polls;
tell two writes apart that come before the first is looked at, so that a very short pulse is lost; or notice a
write that leaves the file as it was.
"""

from __future__ import annotations

import contextlib
import shutil
from typing import TYPE_CHECKING, Final

from inotify_simple import INotify, flags

from .fuse_mount import FolderInUseError, free_place

if TYPE_CHECKING:
    from pathlib import Path

    from simulator.kernel.recorder import Recorder

    from .header_files import Tree

_LANE: Final = "host/files"


class HeaderFolder:
    """*tree* as regular files in *folder*; `process` takes in what has been written since.

    The folder is new, empty, or left by an earlier server; raises FolderInUseError for any other, whose
    files would be lost.
    """

    def __init__(self, tree: Tree, folder: Path, *, recorder: Recorder) -> None:
        self.folder = folder = free_place(folder)
        _take_over(folder)
        self._tree, self._recorder = tree, recorder
        self._is_closed = False
        self._notify = INotify()
        self._watched: dict[int, tuple[str, ...]] = {}
        self._folders: dict[tuple[str, ...], int] = {}
        self._own: dict[tuple[str, ...], bytes] = {}
        self._refresh()
        tree.changed.listen(self._on_change)

    def fileno(self) -> int:
        """Readable while something has been written."""
        return int(self._notify.fd)

    def process(self) -> None:
        """Take in what has been written, then show the tree as it is now."""
        written: list[tuple[str, ...]] = []
        for event in self._notify.read(timeout=0):
            parent = self._watched.get(event.wd)
            if parent is not None and event.name:
                written.append((*parent, event.name))
        for path in dict.fromkeys(written):
            with contextlib.suppress(OSError):
                data = self.folder.joinpath(*path).read_bytes()
                if data != self._own.get(path):
                    self._own[path] = data
                    if data:
                        self._write(path, data)
        if written:
            self._refresh()

    def close(self) -> None:
        """Take the folder away; harmless when called again."""
        self._is_closed = True
        self._notify.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _on_change(self, path: tuple[str, ...]) -> None:
        if not self._is_closed:
            self._show(path, mode=self._tree.entry(path).mode)

    def _write(self, path: tuple[str, ...], data: bytes) -> None:
        try:
            self._tree.write(path, data)
        except OSError as error:
            self._recorder.record(_LANE, "refused", path="/".join(path), error=error.strerror or str(error))

    def _refresh(self, path: tuple[str, ...] = ()) -> None:
        place = self.folder.joinpath(*path)
        place.mkdir(parents=True, exist_ok=True)
        if path not in self._folders:
            watch = self._notify.add_watch(str(place), flags.CLOSE_WRITE)
            self._watched[watch] = path
            self._folders[path] = watch
        names = self._tree.names(path)
        for stale in {entry.name for entry in place.iterdir()} - set(names):
            self._remove((*path, stale))
        for name in names:
            below = (*path, name)
            entry = self._tree.entry(below)
            if entry.is_folder:
                self._refresh(below)
            elif not entry.is_link:
                self._show(below, mode=entry.mode)

    def _show(self, path: tuple[str, ...], *, mode: int) -> None:
        try:
            content = self._tree.read(path)
        except OSError:
            content = b""  # can only be written
        place = self.folder.joinpath(*path)
        shown = place.read_bytes() if place.exists() else None
        if shown is not None and shown != self._own.get(path):
            return  # somebody is writing: that comes first, and will be told
        if shown != content:
            self._own[path] = content
            if not mode & 0o222:
                place.unlink(missing_ok=True)  # not even its owner may write to it
            place.write_bytes(content)
            # What is written has to be read here, also where the kernel's own file cannot be read.
            place.chmod(0o644 if mode & 0o222 else 0o444)

    def _remove(self, path: tuple[str, ...]) -> None:
        place = self.folder.joinpath(*path)
        if place.is_dir():
            watch = self._folders.pop(path, None)
            if watch is not None:
                self._watched.pop(watch, None)
            shutil.rmtree(place, ignore_errors=True)
        else:
            place.unlink(missing_ok=True)
        self._own = {known: data for known, data in self._own.items() if known[: len(path)] != path}


def _take_over(folder: Path) -> None:
    """Empty a folder that an earlier server has left; whoever else's it is keeps it."""
    if not folder.exists():
        return
    names = sorted(entry.name for entry in folder.iterdir())
    if not names:
        return
    if names != ["class"] or [entry.name for entry in (folder / "class").iterdir()] != ["gpio"]:
        raise FolderInUseError(folder, f"it holds files of somebody else's ({', '.join(names[:3])})")
    shutil.rmtree(folder)
