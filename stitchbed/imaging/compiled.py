"""I turn a plain loop over pixels into machine code.

In: a function of arrays and numbers. Out: the same function, compiled the first time it is called, and kept on disk.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from contextlib import suppress
from functools import update_wrapper
from pathlib import Path
from threading import RLock
from types import FunctionType
from typing import Any, Generic, ParamSpec, TypeVar

from stitchbed.core.kept import is_kept, keep, sync_folder

Given = ParamSpec("Given")
Result = TypeVar("Result")

# Sums may be put together in any order and multiplied in one step; nothing is assumed about NaN and infinity.
LOOSE = {"contract", "reassoc", "nsz"}


def compiled(loop: Callable[Given, Result]) -> Callable[Given, Result]:
    """The loop as machine code that runs without Python's lock. Its arguments must be arrays and numbers.

    Compiling takes a second or two; the result is kept beside the source, or where the user's own caches lie, and is
    not kept at all where neither place can be written.
    """
    return update_wrapper(_Loop(loop), loop)


class _Loop(Generic[Given, Result]):
    """A loop that becomes machine code when it is first called: a command begins without waiting for the compiler."""

    def __init__(self, plain: Callable[Given, Result]) -> None:
        self._plain: Any = plain
        self._fast: Any = None
        self._making = RLock()

    def __call__(self, *args: Given.args, **kwargs: Given.kwargs) -> Result:
        return (self._fast or self.machine_code())(*args, **kwargs)

    def machine_code(self) -> Any:
        """The loop as the compiler knows it, and so the loops it calls."""
        with self._making:
            if self._fast is None:
                plain = self._plain
                known = plain.__globals__
                called = {name: known.get(name) for name in plain.__code__.co_names}
                inner = {name: one.machine_code() for name, one in called.items() if isinstance(one, _Loop)}
                bound = FunctionType(plain.__code__, known | inner, plain.__name__, closure=plain.__closure__)
                self._fast = _machine_code(update_wrapper(bound, plain))
        return self._fast


def _machine_code(loop: Any) -> Any:
    import numba  # late: loading it takes a fifth of a second, which runs beside the first reading of files

    wishes: dict[str, Any] = {"nogil": True, "fastmath": LOOSE, "error_model": "numpy"}
    try:
        fast = numba.njit(loop, cache=True, **wishes)
        fast._cache._cache_file = SealedCode(fast._cache._cache_file)
    except (RuntimeError, AttributeError):  # no place to write; a numba that keeps code in another way
        return numba.njit(loop, **wishes)
    return fast


class SealedCode:
    """Code kept on disk that is run only when it is still what was written: numba itself believes what it finds.

    After a power cut its files may be empty, which ended every run; code with a bit turned would be run.
    Wraps numba's own store of one function (`numba.core.caching.IndexDataCacheFile`).
    """

    def __init__(self, store: Any) -> None:
        self._store = store

    def load(self, key: Any) -> Any:
        """What was kept under `key`, or None: then it is compiled anew."""
        with suppress(OSError):
            if is_kept(self._seal, {"files": self._hashes()}):
                return self._store.load(key)
            self.flush()
        return None

    def save(self, key: Any, data: Any) -> None:
        """Keep code and seal it; where there is no room for it, it is compiled in every run."""
        with suppress(OSError):
            self._store.save(key, data)
            for file in self._files():
                with file.open("rb+") as written:
                    os.fsync(written.fileno())
            sync_folder(self._index.parent)
            keep(self._seal, {"files": self._hashes()}, [])

    def flush(self) -> None:
        """Forget all that is kept of this function."""
        for file in [*self._files(), self._seal]:
            file.unlink(missing_ok=True)

    @property
    def _index(self) -> Path:
        return Path(self._store._index_path)

    @property
    def _seal(self) -> Path:
        return self._index.with_suffix(".seal")

    def _files(self) -> list[Path]:
        """Of this function: the index, and the code for each kind of arguments."""
        code = sorted(path for path in self._index.parent.iterdir() if self._is_code(path.name))
        return [self._index, *code] if self._index.exists() else code

    def _is_code(self, name: str) -> bool:
        return name.startswith(f"{self._index.stem}.") and name.endswith(".nbc")

    def _hashes(self) -> dict[str, str]:
        return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in self._files()}
