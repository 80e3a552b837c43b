"""Compiled code, kept from run to run as numba keeps it, but never at the cost of a run.

Where it is kept says :mod:`mixwright.places`. A file that can't be read or written, or is damaged,
is as good as none: the kernel is compiled anew. Code is used only as long as every source is as it
was that went into it: numba looks at the file of the kernel alone, though what that imports -
constants, other kernels - is compiled in.
"""

from __future__ import annotations

import hashlib
import inspect
import os
import re
import sys
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from typing import Any

from numba.core.caching import CompileResultCacheImpl, FunctionCache, InTreeCacheLocator

from mixwright.places import CodePlace, code_place

PACKAGE = Path(__file__).resolve().parents[2]
_IMPORT = re.compile(rb"^from (mixwright[\w.]*) import", re.MULTILINE)


def sources_of(file: Path) -> list[Path]:
    """Return a source and all of this package that it imports at its top, directly or not."""
    found: dict[Path, None] = {}
    ahead = [file]
    while ahead:
        source = ahead.pop()
        if source in found:
            continue
        found[source] = None
        for name in _IMPORT.findall(source.read_bytes()):
            module = PACKAGE.joinpath(*name.decode().split(".")[1:])
            beside = (module.with_suffix(".py"), module / "__init__.py")
            ahead += [path for path in beside if path.is_file()]
    return sorted(found)


@cache
def _stamp(file: Path) -> str:
    hashed = hashlib.sha256()
    for source in sources_of(file):
        hashed.update(hashlib.sha256(source.read_bytes()).digest())
    return hashed.hexdigest()


class _Locator(InTreeCacheLocator):
    """Tells numba a folder, and what kept code depends on."""

    def __init__(self, function: Callable[..., Any], file: str, folder: Path) -> None:
        super().__init__(function, file)
        self._cache_path = str(folder)
        self._source = Path(file)

    def get_source_stamp(self) -> str:
        return _stamp(self._source)


class _Entries(CompileResultCacheImpl):
    """What is kept of one function, in a folder of our choice."""

    def __init__(self, function: Callable[..., Any], folder: Path) -> None:
        # Not numba's own: that looks for a folder by itself, and fails where it finds none.
        file = inspect.getfile(function)
        self._lineno = function.__code__.co_firstlineno
        self._locator = _Locator(function, file, folder)
        name = f"{Path(file).stem}.{function.__qualname__}"
        self._filename_base = self.get_filename_base(name, getattr(sys, "abiflags", ""))


class _Folder(FunctionCache):
    """The code of one function in one folder."""

    def __init__(self, function: Callable[..., Any], folder: Path) -> None:
        self._impl_class = partial(_Entries, folder=folder)  # type: ignore[assignment]
        super().__init__(function)


class KeptCode:
    """The kept code of one function, as numba's dispatcher asks for it."""

    def __init__(self, function: Callable[..., Any], place: CodePlace | None = None) -> None:
        if place is None:
            place = code_place(Path(os.path.abspath(inspect.getfile(function))).parent)
        self._own = None if place.folder is None else _Folder(function, place.folder)
        self._beside = None
        if place.folder != place.beside:
            self._beside = _Folder(function, place.beside)

    @property
    def cache_path(self) -> str | None:
        """The folder that is written to, None for none."""
        return None if self._own is None else str(self._own.cache_path)

    def load_overload(self, signature: Any, target: Any) -> Any:
        """Return the code for these types, None where none is kept that can be used."""
        for folder in (self._own, self._beside):
            if folder is None:
                continue
            try:
                found = folder.load_overload(signature, target)
            except Exception:  # noqa: BLE001 - what a damaged file raises can be anything
                if folder is self._own:
                    self.flush()  # else what is compiled now could not be kept either
                continue
            if found is not None:
                return found
        return None

    def save_overload(self, signature: Any, code: Any) -> None:
        """Keep the code for these types, if it can be kept."""
        if self._own is None:
            return
        try:
            self._own.save_overload(signature, code)
        except OSError:
            return  # a full disk, or a folder that is gone: the run itself doesn't need it

    def flush(self) -> None:
        """Forget all that is kept, in the folder that is written to."""
        if self._own is None:
            return
        try:
            self._own.flush()
        except OSError:
            return  # can't be written to any more: then nothing new is kept, which is all

    def enable(self) -> None:
        """Keep code from now on."""
        for folder in filter(None, (self._own, self._beside)):
            folder.enable()

    def disable(self) -> None:
        """Neither load nor keep code from now on."""
        for folder in filter(None, (self._own, self._beside)):
            folder.disable()
