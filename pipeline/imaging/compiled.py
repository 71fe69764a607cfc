"""Functions compiled by numba, which is loaded when the first of them is called.

A command that finds all frames measured calls none, and loading numba takes a good part of such a command's time.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import cache, update_wrapper
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])


def _kept(dispatcher: Any) -> Any:
    """The dispatcher, with what it compiles kept on disk where there is a place for it.

    A disk that is full or read-only, a user without a home, or a file that was cut cost time, and never a frame.
    """
    try:
        dispatcher.enable_caching()
    except (RuntimeError, OSError):  # numba finds no folder that it may write to
        return dispatcher
    kept = dispatcher._cache  # numba has no public place for this; tests notice where it moves
    load, save = kept.load_overload, kept.save_overload

    def load_overload(*arguments: Any) -> Any:
        try:
            return load(*arguments)
        except Exception:  # what was cut or changed can raise anything
            with suppress(Exception):
                kept.flush()  # or it could never be replaced
            return None

    def save_overload(*arguments: Any) -> None:
        with suppress(Exception):
            save(*arguments)

    kept.load_overload, kept.save_overload = load_overload, save_overload
    return dispatcher


class Compiled:
    """A function of numbers and arrays, compiled at its first call."""

    def __init__(self, function: Callable[..., Any], options: dict[str, Any]) -> None:
        self._function, self._options = function, options
        self._dispatcher: Callable[..., Any] | None = None
        update_wrapper(self, function)

    def __call__(self, *arguments: Any) -> Any:
        """What the compiled function returns."""
        return self.dispatcher()(*arguments)

    def dispatcher(self) -> Callable[..., Any]:
        """Numba's own object. The compiler knows other compiled functions only as these, so they take their place
        among the names that the function sees, its own among them."""
        if self._dispatcher is None:
            import numba

            options = dict(self._options)
            if options.pop("apart", False):
                options["pipeline_class"] = _apart()
            self._dispatcher = _kept(numba.njit(**options)(self._function))
            names = self._function.__globals__
            names |= {name: one.dispatcher() for name, one in list(names.items()) if isinstance(one, Compiled)}
        return cast(Callable[..., Any], self._dispatcher)


def compiled(**options: Any) -> Callable[[F], F]:
    """A decorator: numba.njit with `options`, kept on disk between processes.

    A function may call others and itself, but no two may call each other: numba crashes where it loads such a pair.

    apart=True promises that no argument which is written shares memory with another argument. Loops over many rows then
    become vector instructions, where the compiler would else have to compare all rows with each other first.
    """

    def decorate(function: F) -> F:
        return cast(F, Compiled(function, options))

    return decorate


@cache
def _apart() -> type[Any]:
    """A compiler that believes the promise of `apart`: numba has the flag, but no option for it."""
    from numba.core.compiler import Compiler

    class Apart(Compiler):
        def __init__(self, *arguments: Any) -> None:
            arguments[5].noalias = True  # of typing, target, library, arguments, result, flags, names
            super().__init__(*arguments)  # type: ignore[no-untyped-call]

    return Apart
