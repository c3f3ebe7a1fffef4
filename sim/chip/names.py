"""Names in C: the Python ones wherever C leaves them free (row 1)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from sim.chip.tree import Constant, Function, Kind, fields

PREFIX = "throttle"

# Words of C, of C++ (which may include the header), names that compilers or stdint.h define, and the helpers' own.
_WORDS = """
auto break case char const continue default do double else enum extern float for goto if inline int long register
restrict return short signed sizeof static struct switch typedef union unsigned void volatile while
alignas alignof and and_eq asm atomic bitand bitor bool catch class co_await co_return co_yield compl concept
consteval constexpr constinit const_cast decltype delete dynamic_cast explicit export false friend mutable
namespace new noexcept not not_eq nullptr operator or or_eq private protected public reinterpret_cast requires
static_assert static_cast template this thread_local throw true try typeid typename typeof typeof_unqual using
virtual wchar_t xor xor_eq main linux unix i386 near far interrupt NULL EOF errno
int32_min int32_max int32_abs int32_floor_div int32_floor_mod int32_shift_left int32_shift_right
"""
RESERVED = frozenset(_WORDS.split())
_STDINT = re.compile(
    r"u?int(_least|_fast|ptr|max)?\d*_t|U?INT\w*|PTRDIFF_\w*|SIG_ATOMIC_\w*|SIZE_MAX|WCHAR_\w*|WINT_\w*"
)


def free(name: str, taken: Iterable[str]) -> str:
    """The name, or with ``_`` behind it until nothing else is called so.

    Leading underscores go, since C keeps such names for itself; what no name
    may hold, as the name of a file can, becomes one.
    """
    found = re.sub(r"[^A-Za-z0-9_]", "_", name).lstrip("_") or "unused"
    if found[0].isdigit():
        found = f"n{found}"
    used = set(taken)
    while found in RESERVED or found in used or (_STDINT.fullmatch(found) and not found.endswith("_")):
        found += "_"
    return found


def snake(name: str) -> str:
    """A class's name in C's lower case."""
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", name.strip("_")).lower()


class Names:
    """The C names of everything that has one at file scope, none twice.

    Parameters
    ----------
    functions, constants, kinds : in the order in which they get their names.
    parameters : by their Python names.
    """

    def __init__(
        self,
        functions: Iterable[Function],
        constants: Iterable[Constant],
        kinds: Iterable[Kind],
        parameters: Mapping[str, Constant],
    ) -> None:
        self.constants: dict[Constant, str] = {}
        self.functions: dict[Function, str] = {}
        self.kinds: dict[Kind, str] = {}
        taken = {f"{PREFIX}_initial", f"{PREFIX}_step"}
        for name, parameter in parameters.items():
            self.constants[parameter] = self._new(f"{PREFIX}_{name}".upper(), taken)
        for constant in constants:
            if constant not in self.constants:
                plain = free(constant.name.upper(), ())
                # Two modules may use one name; the second then says whose it is.
                owned = plain if plain not in taken else f"{constant.owner}_{plain}".upper()
                self.constants[constant] = self._new(owned, taken)
        self.macros = frozenset(self.constants.values())
        for kind in kinds:
            if kind not in self.kinds:
                self.kinds[kind] = self._new(f"{PREFIX}_{snake(kind.__name__)}_t", taken)
        for function in functions:
            self.functions[function] = self._new(f"{function.module}_{function.name.lstrip('_')}", taken)
        self.taken = frozenset(taken)

    def _new(self, name: str, taken: set[str]) -> str:
        found = free(name, taken)
        taken.add(found)
        return found

    def fields(self, kind: Kind) -> dict[str, str]:
        """C names of a tuple's fields."""
        found: dict[str, str] = {}
        for name in fields(kind):
            found[name] = free(name, {*self.macros, *found.values()})
        return found
